"""A performance as pictures and reports show it: notes and what became of each, marks, sound.

Units: seconds from the start; keys are MIDI key numbers. Shapes: audio is ``(N, 2)`` float32.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.key_names import key_name
from voices.notes.note_count import Note, polyphony_needed


@dataclass(frozen=True)
class Bar:
    """One note."""

    key: int
    start_s: float
    end_s: float
    """When it lost its voice or was released, whichever came first."""
    release_s: float
    """When its key and pedal were released."""
    account: str
    detail: str
    needed: int
    """Of a stolen note: the smallest polyphony that would have kept it until its release."""


@dataclass(frozen=True)
class Mark:
    """Something that was done to the cable."""

    at_s: float
    words: str


@dataclass(frozen=True)
class Scene:
    """All of a performance."""

    title: str
    bars: list[Bar]
    marks: list[Mark]
    absences: list[tuple[float, float]]
    """From when to when the controller was not plugged in."""
    audio: NDArray[np.float32]
    sample_rate: int
    ceiling_db: float

    @property
    def length_s(self) -> float:
        """How long the sound is."""
        return len(self.audio) / self.sample_rate

    @property
    def keys(self) -> tuple[int, int]:
        """The lowest and the highest key played; C3 to C5 if none was."""
        keys = [bar.key for bar in self.bars]
        return (min(keys), max(keys)) if keys else (48, 72)


def bars(notes: Iterable[Note], sample_rate: int, until_frame: int) -> list[Bar]:
    """Return the notes that a note count remembers."""
    remembered = list(notes)
    by_serial = {note.serial: note for note in remembered}
    made = []
    for note in remembered:
        released = until_frame if note.held_until is None else note.held_until
        taker = by_serial.get(note.taken_by)
        end = released if taker is None else min(taker.on_frame, released)
        stolen = note.account == "stolen"
        by = f"by {key_name(taker.key)}" if taker else "by a note" if note.taken_by else ""
        made.append(
            Bar(
                key=note.key,
                start_s=note.on_frame / sample_rate,
                end_s=end / sample_rate,
                release_s=released / sample_rate,
                account=note.account,
                detail=by or note.detail,
                needed=polyphony_needed(note, remembered, until_frame) if stolen else 0,
            )
        )
    return made
