"""A slot: one spectrum that sounds, and its row in a bank.

A voice holds one slot or several; a bank renders slots and never sees a voice.

Units: frames, absolute; cycles per frame.
"""

from dataclasses import dataclass, field
from typing import Protocol

from voices.envelopes.envelope_segment import Segment
from voices.phases.onset_spectrum import OnsetSpectrum
from voices.synthesis.table_cache import Place
from voices.timbres.timbre import Timbre


class Renderer(Protocol):
    """What renders a slot: a bank."""

    def change(self, slot: "Slot", segment: Segment) -> None:
        """Start another segment of a slot's envelope, inside the next block."""

    def follow(self, slot: "Slot", motion_row: int) -> None:
        """Move a slot with another row of `Smoother` from now on."""


@dataclass(slots=True, eq=False)
class Slot:
    """One spectrum, from its onset until its last sample."""

    timbre: Timbre
    key: int
    """The key its spectrum is for."""
    frequency: float
    """Of the key, not bent."""
    onset_spectrum: OnsetSpectrum
    segment: Segment
    """Of its envelope; the one it is in, or about to be in."""
    motion_row: int
    """The row of `Smoother` with which it moves."""
    wet: float = 0.0
    """How much of it is sent to the room; 1: as much as is heard of it."""
    tables: Place = field(init=False)
    """Of its key."""
    bank: Renderer = field(init=False)
    index: int = -1
    """Its row in the bank."""
    ends: float = float("inf")
    """The frame from which it is silent."""

    def level_at(self, frame: int) -> float:
        """Return the level of its envelope at a frame."""
        return self.segment.level_at(frame)

    def change(self, segment: Segment) -> None:
        """Start another segment of its envelope, inside the next block."""
        self.bank.change(self, segment)

    def follow(self, motion_row: int) -> None:
        """Move with another row of `Smoother` from now on."""
        self.bank.follow(self, motion_row)
