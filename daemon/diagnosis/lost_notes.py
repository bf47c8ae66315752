"""The notes that did not sound as played: what happened to each, and what would have helped.

Units: frames of the player's stream; a polyphony is a number of notes at once.
Threads: the main loop's alone.

A stolen note waits here until its key and pedal are released: only then is it certain how many
notes at once would have kept it.
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from config.settings import Settings
from daemon.diagnosis import advice
from daemon.diagnosis.load_model import Load
from daemon.key_names import key_name
from voices.notes.note_count import REMEMBERED, Note, polyphony_needed

NEVER_PLAYED = ("channel not listened to", "outside every zone", "above half the sample rate")
"""The accounts of notes that never took a voice."""
LOST = ("stolen", "cut", "inaudible at volume 0", *NEVER_PLAYED)
"""The accounts of notes that did not sound as played; the two that no player sees are missing."""


class LostNote(NamedTuple):
    """One note, and the polyphony that would have kept it."""

    note: Note
    needed: int = 0
    """Of a stolen note; 0 for others."""
    taker: str = ""
    """The key of the note that took its voice."""
    exact: bool = True
    """Whether every note that counts was seen; if not, more may be needed."""

    @property
    def at_frame(self) -> int:
        """When it was lost."""
        ended = self.note.ended_frame
        return self.note.on_frame if ended is None else ended

    def happened(self, sample_rate: int, why: str = "") -> str:
        """Return what happened; ``why``: what ended the player, if that is what ended the note."""
        note = self.note
        held = (self.at_frame - note.on_frame) / sample_rate if sample_rate else 0.0
        after = f" after {held:.1f} s" if sample_rate else ""
        match note.account:
            case "stolen":
                taker = f"({note.detail})" if note.detail else f"to {self.taker or 'a newer note'}"
                return f"gave its voice {taker}{after}"
            case "cut":
                return f"was cut{after}: {note.detail or why}"
            case "channel not listened to":
                return "was not played: its channel is not listened to"
            case "outside every zone":
                return "was not played: it is outside every zone"
            case "above half the sample rate":
                return f"was not played: too high for {sample_rate:,} Hz"
        return f"was not heard: {note.detail or note.account}"

    def helps(self, settings: Settings, load: Load) -> str:
        """Return what would have helped, with the key to change; empty: no setting does."""
        note = self.note
        match note.account:
            case "stolen":
                return advice.polyphony(self.needed, settings.polyphony, load, exact=self.exact)
            case "channel not listened to":
                return advice.channels(note.channel, settings)
            case "outside every zone":
                return advice.zones(note.key, note.channel, settings)
            case "inaudible at volume 0":
                return f"turn volume (CC 7) and expression (CC 11) of channel {note.channel} up"
        return ""


def note_words(key: int, channel: int, controller: int, names: Mapping[int, str]) -> str:
    """Return which note it is; with its controller, if there are several."""
    words = f"{key_name(key)} ({key}) on channel {channel}"
    if len(names) > 1 and controller in names:
        words += f" of '{names[controller]}'"
    return words


class LostNotes:
    """The lost notes of one player after another."""

    def __init__(self) -> None:
        self._begin()

    def _begin(self) -> None:
        self._notes: dict[int, Note] = {}
        self._held: dict[int, Note] = {}
        self._reported: set[int] = set()
        self._complete_from = 1

    def take(self, notes: Iterable[Note], missed: bool = False) -> list[LostNote]:
        """Take in the player's records, oldest first; return the lost notes that are certain now.

        ``missed``: records before these were overwritten unread.
        """
        found = []
        for note in notes:
            if missed:
                self._complete_from, missed = note.serial, False
            self._notes[note.serial] = note
            if note.account in LOST:
                if note.account == "stolen" and note.held_until is None:
                    self._held[note.serial] = note
                elif note.serial not in self._reported:
                    found.append(note)
                    self._reported.add(note.serial)
                    self._held.pop(note.serial, None)
        frame = max((_latest(note) for note in self._notes.values()), default=0)
        lost = [self._judge(note, frame) for note in found]
        for serial in list(self._notes)[: max(len(self._notes) - REMEMBERED, 0)]:
            del self._notes[serial]
            self._reported.discard(serial)
            self._held.pop(serial, None)  # a pedal may be held all evening
            self._complete_from = max(self._complete_from, serial + 1)
        return lost

    def held(self, frame: int) -> list[LostNote]:
        """Return the stolen notes whose keys are still down, judged as of a frame."""
        return [self._judge(note, frame) for note in self._held.values()]

    def end(self, frame: int) -> list[LostNote]:
        """Return what was uncertain when the player ended, and as cut what still sounded."""
        lost = self.held(frame)
        for note in self._notes.values():
            if note.account == "sounding":
                note.account, note.ended_frame, note.held_until = "cut", frame, frame
                lost.append(LostNote(note))
        self._begin()
        return lost

    def _judge(self, note: Note, frame: int) -> LostNote:
        if note.account != "stolen":
            return LostNote(note)
        others = [each for each in self._notes.values() if each.account not in NEVER_PLAYED]
        enough = polyphony_needed(note, others, frame)
        taker = self._notes.get(note.taken_by)
        name = key_name(taker.key) if taker is not None else ""
        return LostNote(note, enough, name, note.serial >= self._complete_from)


def _latest(note: Note) -> int:
    return max(note.on_frame, note.ended_frame or 0, note.held_until or 0)
