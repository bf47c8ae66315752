"""The arrays of a bank: one row per slot, the rows in use first.

Units: frames, cycles per frame, nepers per frame. Shapes: ``V`` rows of ``P`` partials on ``S``
sides, for blocks of ``R`` rows by ``C`` columns (see `voices.phases.phasor_tables`).
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.phases.phasor_tables import shape_of
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows, by_tables, fill
from voices.synthesis.timbre import Timbre


class VoiceArrays:
    """Everything a bank knows of its slots, in columns."""

    def __init__(self, partials: int, sides: int, frames: int, capacity: int) -> None:
        self.partials, self.sides = partials, sides
        self._shape = shape_of(frames, sides)
        self.capacity = 0
        self.latest_onset = -1.0
        """Of all slots there ever were."""
        self.spreading = False
        """Whether any slot may be, or have been, spread."""
        self.changes = 0
        """How often other slots have had the rows."""
        self._decaying = 0
        """How many slots have partials that decay on their own."""
        self.grow(capacity)

    def grow(self, capacity: int) -> None:
        """Make room for ``capacity`` slots, keeping what is there."""
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
        self.state = room("state", np.complex128, self.sides, partials)
        """Level and phase of each partial at the start of the next block, on each side."""
        self.gains = room("gains", np.float64, partials)
        """The gain of each partial that is in the state."""
        self.stale = room("stale", bool)
        """Whether tables and state do not hold: for new slots, and those that moved."""
        self.onset_phasors = room("onset_phasors", np.complex64, self.sides, partials)
        """Level and phase of each partial at the onset."""
        self.decays = room("decays", np.float64, partials)
        self.lifetimes = room("lifetimes", np.float64, partials)
        """For how many frames from the onset each partial is audible at most."""
        self.properties = room("properties", np.float64, 7, partials)
        """Those of `Timbre`, and each by its name."""
        self.ratios, self.octaves, self.numbers, *rest = self.properties.transpose(1, 0, 2)
        self.swell, self.overtones = rest[:2]
        self.vowels = self.properties[:, 5:]
        self.progress = room("progress", np.float64, 7)
        """The key's frequency and that of its highest partial, not bent; the frequency that the
        tables are for; the cycles of the key since the onset as of a frame; that frame; the onset;
        and how much of a slot is sent to the room. Each by its name:"""
        self.frequency, self.highest, self.table_frequency, *rest = self.progress.T
        self.cycles, self.as_of, self.onset, self.wet = rest
        self.i_omega = room("i_omega", np.complex64, partials)
        """i times the radians per frame of each partial, not bent."""
        self.motion_row = room("motion_row", np.intp)
        """The row of `Smoother` with which a slot moves."""
        self.spreads = room("spreads", np.float64, 2, partials)
        """By what part of its frequency each partial is higher for all of a stretch and of a
        detuning; and the cycles of the key, each multiplied by one of those, since the onset ..."""
        self.spread_cycles = room("spread_cycles", np.float64, 2)
        self.spread_known = room("spread_known", bool)
        """... both only where this says so."""
        self.gain = room("gain", np.float32, 2)
        """Left and right, while the gain does not move."""
        self._all = [getattr(self, name) for name in names]
        self.capacity = capacity

    def enter(self, first: int, slots: Sequence[Slot], onsets: Sequence[float]) -> None:
        """Fill rows from ``first`` on for slots whose onsets lie in the next block."""
        count = len(slots)
        self.changes += 1
        used = slice(first, first + count)
        self.progress[used, 3] = 0.0
        self.progress[used, 4] = self.progress[used, 5] = onsets
        self.wet[used] = [slot.wet for slot in slots]
        self.motion_row[used] = [slot.motion_row for slot in slots]
        self.stale[used] = True
        if self.spreading:
            self.spread_known[used] = False
        self.latest_onset = max(self.latest_onset, *onsets)
        phasors = self.onset_phasors[used].reshape(-1, self.partials)
        np.concatenate([slot.onset_spectrum.phasors for slot in slots], out=phasors)
        numbers = range(first, first + count)
        for rows, made, keys in by_tables(numbers, [slot.tables for slot in slots]):
            self.progress[rows, :3] = made.frequencies[keys]
            for into, table in (
                *((self.outer, made.phasors.rows), (self.inner, made.phasors.columns)),
                *((self.step, made.phasors.step), (self.i_omega, made.phasors.i_omega)),
                *((self.properties, made.properties), (self.decays, made.decays)),
                (self.lifetimes, made.lifetimes),
            ):
                fill(into, rows, table, keys)
        for slot in slots:
            if slot.timbre.any_decay:
                self._decaying += 1

    @property
    def any_decay(self) -> bool:
        """Whether partials of any slot decay on their own."""
        return self._decaying > 0

    def take_out(self, row: int, last: int, timbre: Timbre) -> None:
        """Give the row of a slot of a timbre to the last one."""
        self.changes += 1
        if row != last:
            for array in self._all:
                array[row] = array[last]
        self._decaying -= timbre.any_decay

    def forget_spread(self) -> None:
        """Let no slot be spread any more: there is none."""
        self.spreading = False
        self.spread_known[:] = False

    def cycles_at(
        self, rows: Rows, frame: int, frequency: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the key's cycles since the onset until ``frame``, at ``frequency`` since last."""
        return np.asarray(self.cycles[rows] + frequency * (frame - self.as_of[rows]))
