"""Voices whose pitch rests while the gains of their partials change: a knob on its way.

A gain runs straight from one control point to the next, so over a sub-block a partial is
``(1 + g·t)·Re s·z^n``: its gain at the start is in the state ``s``, and what it grows by is a
second set of rows in the product of `voices.synthesis.resting_voices`, with the time applied after
it. The tables stay as they are.

Shapes: ``V`` voices, ``K`` of which change, ``P`` partials, ``Z`` sides, ``S`` sub-blocks of ``L``
frames; blocks of ``R`` rows by ``C`` columns (see `voices.phases.phasor_tables`).
"""

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import Smoother
from voices.phases.phasor_tables import shape_of
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.timbre import Timbre
from voices.synthesis.voice_arrays import VoiceArrays

Array = NDArray[Any]


class ChangingSpectra:
    """The gains that partials have, and the sound of a bank while some of them change."""

    def __init__(
        self,
        arrays: VoiceArrays,
        slots: Sequence[Slot],
        frames: int,
        smoother: Smoother,
        partial_gains: PartialGains,
    ) -> None:
        self._arrays = arrays
        self._slots = slots
        self._smoother = smoother
        self._partial_gains = partial_gains
        self._shape = shape_of(frames, arrays.sides)
        self.make_scratch()

    def make_scratch(self) -> None:
        """Have as many rows as the arrays have."""
        arrays = self._arrays
        shape = (arrays.capacity, 2, arrays.sides, self._shape[0], arrays.partials)
        self._left = np.zeros(shape, np.complex64)

    def at_start(self, rows: Rows, ramps: Ramps | None) -> Array | float:
        """Return the gains of some voices' partials as a block begins, (K, P)."""
        motion_rows = self._arrays.motion_row[rows]
        if ramps is None or not ramps.reshaping:
            return self._gains(rows, self._smoother.values[motion_rows])
        begin = self._gains(rows, ramps.begin[0, motion_rows])
        if ramps.first == 0.0:
            return begin
        end = self._gains(rows, ramps.end[0, motion_rows])
        return begin + (end - begin) * ramps.first

    def _gains(self, rows: Rows, values: Array) -> Array | float:
        """Return the gains of some voices' partials at values of their rows of `Smoother`."""
        arrays, made = self._arrays, self._partial_gains
        gains = made.gains(
            values,
            *(arrays.octaves[rows], arrays.numbers[rows], arrays.swell[rows]),
            arrays.overtones[rows],
            arrays.vowels[rows] if made.turn_vowels else None,
        )
        return 1.0 if gains is None else gains

    def begin(self, rows: Rows, count: int, most: int, ramps: Ramps) -> None:
        """Make the rows of a block of ``count`` voices, ``most`` partials each; ``rows`` change."""
        arrays = self._arrays
        relative = self._on_the_way(rows, ramps)
        sub_blocks = len(relative) - 1
        factors = np.zeros((count, 2, 1, sub_blocks, 1, arrays.partials), np.float32)
        if len(relative[0]) < count:
            factors[:, 0] = 1.0
        growth = np.diff(relative, axis=0) / ramps.sub_block_frames
        for place in range(sub_blocks):
            factors[rows, 0, 0, place, 0] = relative[place]
            factors[rows, 1, 0, place, 0] = growth[place]
        state = arrays.state[:count, None, :, None, None, :most].astype(np.complex64)
        left = self._left[:count, ..., :most]
        outer = arrays.outer[:count, ..., :most].reshape(count, 1, 1, sub_blocks, -1, most)
        cut = left.reshape(count, 2, arrays.sides, sub_blocks, -1, most)
        np.multiply(outer, state * factors[..., :most], out=cut)
        self._pairs = left.view(np.float32).reshape(count, -1, 2 * most)
        last = relative[-1]
        arrays.state[rows] *= last[:, None]
        arrays.gains[rows] *= last
        self._time = _time(ramps.sub_block_frames, sub_blocks * arrays.sides)

    def draw(self, count: int, partials: int, out: NDArray[np.float32]) -> None:
        """Write the block that was begun, of so many partials each, to ``out``, (V, ZR, C)."""
        width = 2 * partials
        drawn = np.matmul(self._pairs[..., :width], self._arrays.inner[:count, :width])
        level, grown = drawn.reshape(count, 2, -1).swapaxes(0, 1)
        grown *= self._time
        np.add(level, grown, out=out.reshape(count, -1))

    def _on_the_way(self, rows: Rows, ramps: Ramps) -> Array:
        """Return gains at both ends of every sub-block over those at the start, (S + 1, K, P)."""
        arrays = self._arrays
        at_start = arrays.gains[rows]
        relative = np.ones((len(ramps.end) + 1, *at_start.shape))
        slots = self._slots if isinstance(rows, slice) else [self._slots[row] for row in rows]
        kinds: dict[tuple[Timbre, int], int] = {}  # many voices may be alike
        kind_of = [kinds.setdefault((slot.timbre, slot.motion_row), len(kinds)) for slot in slots]
        if len(kinds) < len(slots):
            firsts = np.array([kind_of.index(kind) for kind in range(len(kinds))])
            alike = firsts if isinstance(rows, slice) else rows[firsts]
            ends = self._gains(alike, ramps.end[:, arrays.motion_row[alike]])
            if not isinstance(ends, float):
                ends = ends.take(kind_of, 1)
        else:
            ends = self._gains(rows, ramps.end[:, arrays.motion_row[rows]])
        np.divide(ends, at_start, out=relative[1:])
        if ramps.last < 1.0:  # the block ends inside its control period
            part = (ramps.last - ramps.first) / (1.0 - ramps.first)
            relative[1:] += (part - 1.0) * (relative[1:] - 1.0)
        return relative


@cache
def _time(frames: int, times: int) -> NDArray[np.float32]:
    """Return the frames of a sub-block, so many times."""
    return np.tile(np.arange(frames, dtype=np.float32), times)
