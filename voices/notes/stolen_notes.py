"""The stolen notes that key or pedal still hold: how long they would have sounded.

Units: frames. An address is controller, channel and key.
"""

from voices.notes.allocator import KeyAddress
from voices.notes.note_count import Ledger, Note


class StolenNotes:
    """Notes without a voice, until key and pedal are up."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self.notes: dict[KeyAddress, tuple[Note, bool]] = {}
        """Each with whether its key is down."""

    def add(self, address: KeyAddress, note: Note, *, key_down: bool) -> None:
        """Take in a note that has just been stolen."""
        self.notes[address] = (note, key_down)

    def end(self, address: KeyAddress, frame: int) -> None:
        """Release the note at an address, if there is one."""
        if address in self.notes:
            note, _ = self.notes.pop(address)
            self._ledger.end_hold(note, frame)

    def key_up(self, address: KeyAddress, frame: int, *, pedal: bool) -> None:
        """Release a key; a pedal may hold on to its note."""
        if not pedal:
            self.end(address, frame)
        elif address in self.notes:
            self.notes[address] = (self.notes[address][0], False)

    def pedal_up(self, controller: int, channel: int, frame: int) -> None:
        """Release what only the pedal held."""
        for address, (_, key_down) in list(self.notes.items()):
            if address[:2] == (controller, channel) and not key_down:
                self.end(address, frame)

    def keys_up(self, controller: int, channel: int, frame: int, *, pedal: bool) -> None:
        """Release every key of a channel."""
        for address in list(self.notes):
            if address[:2] == (controller, channel):
                self.key_up(address, frame, pedal=pedal)

    def end_controller(self, controller: int, frame: int) -> None:
        """Release everything of a controller."""
        for address in list(self.notes):
            if address[0] == controller:
                self.end(address, frame)
