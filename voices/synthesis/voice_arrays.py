"""The packed arrays of a bank: one row a voice, the rows in use first.

Units: frames, cycles per frame, nepers per frame. The course of a voice is its key's frequency, not
bent; the frequency its tables are for; the cycles of the key that it has turned since its onset,
as of frame ``since``; that frame; and its onset. Shapes: ``V`` rows of ``P`` partials, for
blocks of ``R`` rows by ``C`` columns (see `voices.synthesis.phasor_tables`).
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.synthesis.phasor_tables import shape_of
from voices.synthesis.slot import Slot


class VoiceArrays:
    """Everything a bank knows of its voices, in columns."""

    def __init__(self, partials: int, frames: int, capacity: int) -> None:
        self.partials = partials
        self._shape = shape_of(frames)
        self._names: list[str] = []
        self.capacity = 0
        self.newest = -1.0
        """The latest onset there was."""
        self.fading = False
        """Whether partials of any voice ever here decay by themselves."""
        self.highest = 0.0
        """The highest cycles per frame of any partial ever here, not bent."""
        self.grow(capacity)

    def grow(self, capacity: int) -> None:
        """Make room for ``capacity`` voices, keeping what is there."""
        height, width = self._shape
        partials, kept = self.partials, self.capacity
        names: list[str] = []

        def room(name: str, dtype: type, *shape: int) -> NDArray[Any]:
            array: NDArray[Any] = np.zeros((capacity, *shape), dtype)
            if kept:
                array[:kept] = getattr(self, name)
            names.append(name)
            return array

        self.outer = room("outer", np.complex64, height, partials)
        """The tables' factors from row to row of a block ..."""
        self.inner = room("inner", np.float32, 2 * partials, width)
        """... inside a row ..."""
        self.step = room("step", np.complex128, partials)
        """... and from block to block."""
        self.state = room("state", np.complex128, partials)
        """Level and phase of each partial at the start of the next block."""
        self.stale = room("stale", bool)
        """Whether tables and state do not hold: a new voice, or one that was in motion."""
        self.starts = room("starts", np.complex64, partials)
        """Level and phase of each partial at the onset."""
        self.decays = room("decays", np.float64, partials)
        self.fixed = room("fixed", np.float64, 5, partials)
        """What a voice never changes, and each by its name."""
        self.ratios, self.octaves, self.numbers, self.levels, self.swell = self.fixed.transpose(
            1, 0, 2
        )
        self.course = room("course", np.float64, 5)
        """Where a voice is in time, and each by its name."""
        self.frequency, self.turning, self.phase, self.since, self.onset = self.course.T
        self.pace = room("pace", np.complex64, partials)
        """i times the radians per frame of each partial, not bent."""
        self.channel = room("channel", np.intp)
        self.gain = room("gain", np.float32, 2)
        """Left and right, for channels whose gain does not move."""
        self.wet = room("wet", np.float32)
        """How much of a slot is sent to the room."""
        self.sides = room("sides", np.float32, 2)
        """What the gains left and right are multiplied by for where a slot stands."""
        self._packed = [getattr(self, name) for name in names]
        self.capacity = capacity

    def enter(self, first: int, slots: Sequence[Slot], onsets: Sequence[float]) -> None:
        """Fill rows from ``first`` on for slots whose onsets lie in the next block."""
        used = slice(first, first + len(slots))
        self.course[used] = [
            (slot.frequency, 0.0, 0.0, onset, onset)
            for slot, onset in zip(slots, onsets, strict=True)
        ]
        self.channel[used] = [slot.motion_row for slot in slots]
        self.stale[used] = True
        self.newest = max(self.newest, *onsets)
        for row, slot in enumerate(slots, first):
            self.fading = self.fading or slot.timbre.fading
            self.highest = max(self.highest, slot.timbre.highest * slot.frequency)
            self.wet[row] = slot.wet
            self.sides[row] = slot.timbre.sides
            self.starts[row] = slot.onset_spectrum.starts
            self.fixed[row] = slot.onset_spectrum.fixed
            if self.fading:
                self.decays[row] = slot.timbre.decays_at(slot.key)
        turn = 2 * np.pi * self.frequency[used]
        self.pace[used].imag = self.ratios[used] * turn[:, None]

    def move(self, source: int, target: int) -> None:
        """Copy one row to another."""
        for array in self._packed:
            array[target] = array[source]

    def phase_at(
        self, rows: slice | NDArray[np.intp], frame: int, turning: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the cycles turned until ``frame``, at ``turning`` since last accounted for."""
        return np.asarray(self.phase[rows] + turning * (frame - self.since[rows]))
