"""Voices whose pitch and spectrum stand still: a block of all of them is one stacked product.

Shapes: ``V`` voices, ``P`` partials, blocks of ``R`` rows by ``C`` columns (see
`voices.synthesis.phasor_tables`).
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.smoother import GAINS, PITCH, SHAPE, Smoother
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.phasor_tables import Tables, shape_of
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import TableCache
from voices.synthesis.voice_arrays import VoiceArrays

Rows = NDArray[np.intp]


class RestingVoices:
    """The resting voices of a bank; ``slots`` is the bank's own list, in the order of the rows."""

    def __init__(
        self,
        arrays: VoiceArrays,
        slots: Sequence[Slot],
        frames: int,
        smoother: Smoother,
        partial_gains: PartialGains,
        cache: TableCache,
    ) -> None:
        self._arrays = arrays
        self._slots = slots
        self._shape = shape_of(frames)
        self._smoother = smoother
        self._partial_gains = partial_gains
        self._cache = cache
        self.make_scratch()

    def make_scratch(self) -> None:
        """Have as many rows as the arrays have."""
        capacity, partials = self._arrays.capacity, self._arrays.partials
        self._narrow = np.zeros((capacity, partials), np.complex64)
        self._left = np.zeros((capacity, self._shape[0], partials), np.complex64)
        self._views: tuple[NDArray[Any], ...] = ()
        self._views_of = (0, 0)

    # --- coming to rest --------------------------------------------------------------------

    def refresh(self, rows: Rows, frame: int) -> None:
        """Give voices that are at rest now the tables and state of the pitch they rest at."""
        arrays = self._arrays
        values = self._smoother.values[arrays.motion_row[rows]]
        arrays.gain[rows] = values[:, GAINS] * arrays.sides[rows]
        new = arrays.onset[rows] >= frame
        plain = ~values[:, SHAPE].any(axis=1)
        begins = new & plain
        if begins.all():
            self._begin(rows, frame)
        else:
            self._resume(rows[~begins], frame)
            if begins.any():
                self._begin(rows[begins], frame)
        arrays.stale[rows] = False

    def _begin(self, rows: Rows, frame: int) -> None:
        """Start voices at their keys' own pitch and spectrum."""
        arrays = self._arrays
        frequency = arrays.table_frequency[rows] = arrays.frequency[rows]
        known = self._load_tables(rows, frequency)
        state = np.array([tables.exponents for tables in known])
        state *= (frame - arrays.onset[rows])[:, None]  # back to the start of the block
        np.exp(state, out=state)
        state *= arrays.onset_phasors[rows]
        arrays.state[rows] = state * np.array([tables.weight for tables in known])

    def _resume(self, rows: Rows, frame: int) -> None:
        """Go on with voices that have come to rest, or that start bent."""
        arrays = self._arrays
        values = self._smoother.values[arrays.motion_row[rows]]
        frequency = arrays.frequency[rows] * np.exp2(values[:, PITCH] / 1200.0)
        known = self._load_tables(rows, frequency)
        level = np.array([tables.weight for tables in known])
        level *= np.exp(arrays.decays[rows] * (arrays.onset[rows] - frame)[:, None])
        gains = self._partial_gains.gains(
            values,
            *(arrays.octaves[rows], arrays.numbers[rows], arrays.swell[rows]),
            arrays.overtones[rows],
        )
        if gains is not None:
            level *= gains
        key_cycles = arrays.cycles_at(rows, frame, frequency)
        cycles = arrays.ratios[rows] * key_cycles[:, None]
        phasors = np.exp(2j * np.pi * (cycles - np.rint(cycles)))
        arrays.state[rows] = level * arrays.onset_phasors[rows] * phasors
        arrays.cycles[rows], arrays.as_of[rows] = key_cycles, frame
        arrays.table_frequency[rows] = frequency

    def _load_tables(self, rows: Rows, frequency: NDArray[np.float64]) -> list[Tables]:
        """Fill in the tables of voices for frequencies, and return them."""
        arrays, slots = self._arrays, [self._slots[row] for row in rows]
        known = self._cache.tables(
            [
                (slot.timbre, slot.key, each)
                for slot, each in zip(slots, frequency.tolist(), strict=True)
            ]
        )
        for row, tables in zip(rows.tolist(), known, strict=True):
            arrays.outer[row], arrays.inner[row], arrays.step[row] = tables[:3]
        return known

    # --- resting ---------------------------------------------------------------------------

    def render(self, count: int, before: int, partials: int, wave: NDArray[np.float32]) -> None:
        """Render the first ``count`` voices as if all were at rest: ``wave`` is (V, R, C).

        Each has ``partials`` partials; if it had another number ``before``, the others fade.
        """
        most = max(before, partials)
        if self._views_of != (count, most):
            self._cut_views(count, most)
        narrow, narrow_active, outer, left, left_real, inner, state, step = self._views
        narrow[:] = state
        np.multiply(outer, narrow_active, out=left)
        np.matmul(left_real, inner, out=wave)
        if before != partials:
            fewer = 2 * min(before, partials)
            kept = np.matmul(left_real[..., :fewer], inner[:, :fewer])
            rise = _rise(wave.shape[1:])
            wave -= kept
            wave *= rise if partials > before else 1.0 - rise
            wave += kept
        state *= step

    def _cut_views(self, count: int, most: int) -> None:
        """Keep the views that `render` works on: cutting them costs more than a small product."""
        arrays, left = self._arrays, self._left[:count, :, :most]
        narrow = self._narrow[:count]
        self._views_of = (count, most)
        self._views = (
            *(narrow, narrow[:, None, :most], arrays.outer[:count, :, :most]),
            *(left, left.view(np.float32), arrays.inner[:count, : 2 * most]),
            *(arrays.state[:count], arrays.step[:count]),
        )


def _rise(shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Return a straight line from 0 to 1 over a block, (R, C)."""
    frames = shape[0] * shape[1]
    return (np.arange(frames, dtype=np.float32) / np.float32(frames)).reshape(shape)
