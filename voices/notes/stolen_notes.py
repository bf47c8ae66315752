"""The stolen notes that key or pedal still hold: how long they would have sounded.

Units: frames. A place is controller, channel and key.
"""

from voices.notes.allocator import KeyAddress
from voices.notes.note_count import Ledger, Note


class StolenNotes:
    """Notes without a voice, until they are let go."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._notes: dict[KeyAddress, tuple[Note, bool]] = {}

    def add(self, place: KeyAddress, note: Note, *, key_down: bool) -> None:
        """Take in a note that has just been stolen."""
        self._notes[place] = (note, key_down)

    def end(self, place: KeyAddress, frame: int) -> None:
        """Let the note at a place go, if there is one."""
        if place in self._notes:
            note, _ = self._notes.pop(place)
            self._ledger.let_go(note, frame)

    def key_up(self, place: KeyAddress, frame: int, *, pedal: bool) -> None:
        """Let a key go; a pedal may hold on to its note."""
        if not pedal:
            self.end(place, frame)
        elif place in self._notes:
            self._notes[place] = (self._notes[place][0], False)

    def pedal_up(self, controller: int, channel: int, frame: int) -> None:
        """Let go what only the pedal held."""
        for place, (_, key_down) in list(self._notes.items()):
            if place[:2] == (controller, channel) and not key_down:
                self.end(place, frame)

    def keys_up(self, controller: int, channel: int, frame: int, *, pedal: bool) -> None:
        """Let every key of a channel go."""
        for place in list(self._notes):
            if place[:2] == (controller, channel):
                self.key_up(place, frame, pedal=pedal)

    def unplugged(self, controller: int, frame: int) -> None:
        """Let go everything of a controller."""
        for place in list(self._notes):
            if place[0] == controller:
                self.end(place, frame)
