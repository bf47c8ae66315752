"""The notes that did not sound as played: what happened to each, and what would have helped.

Units: frames of the player's stream; a polyphony is a number of notes at once.
Threads: the main loop's alone.

A stolen note waits here until key and pedal let it go: only then is it certain how many notes at
once would have kept it.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.key_names import key_name
from voices.notes.note_count import REMEMBERED, Note
from voices.notes.required_polyphony import needed

TURNED_AWAY = ("channel not listened to", "above half the sample rate")
"""The accounts of notes that never took a voice."""
LOST = ("stolen", "cut", "inaudible at volume 0", *TURNED_AWAY)
"""The accounts of notes that did not sound as played; the two that no player sees are elsewhere."""


@dataclass(frozen=True)
class StolenNotes:
    """One note, and the polyphony that would have kept it."""

    note: Note
    needed: int = 0
    """Of a stolen one; 0 for others."""
    by: str = ""
    """The key of the note that took its voice."""
    exact: bool = True
    """Whether every note that counts was seen; else more might be needed."""

    @property
    def at_frame(self) -> int:
        """When it went wrong."""
        ended = self.note.ended_frame
        return self.note.on_frame if ended is None else ended


class LostNotes:
    """The notes of one player after another."""

    def __init__(self) -> None:
        self._begin()

    def _begin(self) -> None:
        self._notes: dict[int, Note] = {}
        self._held: dict[int, Note] = {}
        self._told: set[int] = set()
        self._whole_from = 1

    def take(self, notes: Iterable[Note], missed: bool = False) -> list[StolenNotes]:
        """Take in what the player told, oldest first; return the lost ones that are certain now.

        ``missed``: some was lost on the way before these.
        """
        found = []
        for note in notes:
            if missed:
                self._whole_from, missed = note.serial, False
            self._notes[note.serial] = note
            if note.account in LOST:
                if note.account == "stolen" and note.held_until is None:
                    self._held[note.serial] = note
                elif note.serial not in self._told:
                    found.append(note)
                    self._told.add(note.serial)
                    self._held.pop(note.serial, None)
        frame = max((_latest(note) for note in self._notes.values()), default=0)
        lost = [self._judge(note, frame) for note in found]
        for serial in list(self._notes)[: max(len(self._notes) - REMEMBERED, 0)]:
            del self._notes[serial]
            self._told.discard(serial)
            self._held.pop(serial, None)  # under a pedal that is held all evening
            self._whole_from = max(self._whole_from, serial + 1)
        return [each for each in lost if each is not None]

    def held(self, frame: int) -> list[StolenNotes]:
        """Return the stolen notes whose keys are still down, as it looks at a frame."""
        lost = (self._judge(note, frame) for note in self._held.values())
        return [each for each in lost if each is not None]

    def end(self, frame: int) -> list[StolenNotes]:
        """Return what was uncertain when the player ended, and as cut what still sounded."""
        lost = self.held(frame)
        for note in self._notes.values():
            if note.account == "sounding":
                note.account, note.ended_frame, note.held_until = "cut", frame, frame
                lost.append(StolenNotes(note))
        self._begin()
        return lost

    def _judge(self, note: Note, frame: int) -> StolenNotes | None:
        if note.account != "stolen":
            return StolenNotes(note)
        others = [each for each in self._notes.values() if each.account not in TURNED_AWAY]
        enough = needed(note, others, frame)
        taker = self._notes.get(note.taken_by)
        name = key_name(taker.key) if taker is not None else ""
        return StolenNotes(note, enough, name, note.serial >= self._whole_from)


def _latest(note: Note) -> int:
    return max(note.on_frame, note.ended_frame or 0, note.held_until or 0)
