"""The packed arrays of a bank: one row a voice, the rows in use first.

Units: frames, cycles per frame, nepers per frame. Shapes: ``V`` rows of ``P`` partials, for
blocks of ``R`` rows by ``C`` columns (see `voices.tables`).
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.tables import shape_of
from voices.voice import Voice


class Rows:
    """Everything a bank knows of its voices, in columns."""

    def __init__(self, partials: int, frames: int, capacity: int) -> None:
        self.partials = partials
        self._shape = shape_of(frames)
        self._names: list[str] = []
        self.capacity = 0
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
        self.levels = room("levels", np.float64, partials)
        self.decays = room("decays", np.float64, partials)
        self.ratios = room("ratios", np.float64, partials)
        self.octaves = room("octaves", np.float64, partials)
        self.phases = room("phases", np.float64, partials)
        self.numbers = room("numbers", np.int16, partials)
        self.frequency = room("frequency", np.float64)
        """Cycles per frame of the key, not bent ..."""
        self.turning = room("turning", np.float64)
        """... and at the pitch its tables are for."""
        self.phase = room("phase", np.float64)
        """Cycles of the key since the onset, as of frame ``since``."""
        self.since = room("since", np.float64)
        self.onset = room("onset", np.float64)
        self.channel = room("channel", np.intp)
        self.gain = room("gain", np.float32, 2)
        """Left and right, for channels whose gain does not move."""
        self._packed = [getattr(self, name) for name in names]
        self.capacity = capacity

    def enter(self, row: int, voice: Voice) -> None:
        """Fill a row for a voice whose onset lies in the next block."""
        timbre = voice.timbre
        self.levels[row] = voice.levels
        self.decays[row] = voice.decays
        self.ratios[row] = timbre.ratios
        self.octaves[row] = timbre.octaves
        self.phases[row] = timbre.phases
        self.numbers[row] = timbre.numbers
        self.frequency[row] = voice.frequency
        self.phase[row] = self.turning[row] = 0.0
        self.since[row] = self.onset[row] = voice.segment.start
        self.channel[row] = voice.channel.index
        self.stale[row] = True

    def move(self, source: int, target: int) -> None:
        """Copy one row to another."""
        for array in self._packed:
            array[target] = array[source]

    def phase_at(
        self, rows: NDArray[np.intp], frame: int, turning: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the cycles turned until ``frame``, at ``turning`` since last accounted for."""
        return np.asarray(self.phase[rows] + turning * (frame - self.since[rows]))
