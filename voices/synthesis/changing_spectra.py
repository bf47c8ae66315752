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
from voices.phases.scratch import Scratch
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays
from voices.timbres.timbre import Timbre

Array = NDArray[Any]
Kinds = tuple[NDArray[np.intp], NDArray[np.intp], Sequence[Any]]
"""Of which kind each voice is; of each kind the row of `Smoother`, and the partials' properties."""


class ChangingSpectra:
    """The gains that partials have, and the sound of a bank while some of them change."""

    def __init__(
        self,
        arrays: VoiceArrays,
        slots: Sequence[Slot],
        frames: int,
        smoother: Smoother,
        partial_gains: PartialGains,
        scratch: Scratch,
    ) -> None:
        self._arrays = arrays
        self._slots = slots
        self._smoother = smoother
        self._partial_gains = partial_gains
        self._scratch = scratch
        self._shape = shape_of(frames, arrays.sides)
        self._known = -1, b""
        """The changes of rows, and the rows, of which the kinds are."""
        self._kinds_of_it: Kinds
        self.make_scratch()

    def make_scratch(self) -> None:
        """Have as many rows as the arrays have."""
        arrays = self._arrays
        shape = arrays.capacity, 2, arrays.sides, self._shape[0], arrays.partials
        self._left = self._scratch.left(*shape)

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

    def _kinds(self, rows: Rows) -> Kinds:
        """Return of which kind each voice is, and the kinds: many voices may be alike."""
        arrays, slots = self._arrays, self._slots
        key = arrays.changes, b"" if isinstance(rows, slice) else rows.tobytes()
        if key != self._known:
            numbers = range(rows.stop) if isinstance(rows, slice) else rows.tolist()
            kinds: dict[tuple[Timbre, int], tuple[int, int]] = {}
            kind_of = [
                kinds.setdefault((slots[row].timbre, slots[row].motion_row), (len(kinds), row))[0]
                for row in numbers
            ]
            first = np.array([row for _, row in kinds.values()])
            self._known = key
            properties = [
                each if each is None else each.astype(np.float32)
                for each in self._properties(first)
            ]
            self._kinds_of_it = np.array(kind_of), arrays.motion_row[first], properties
        return self._kinds_of_it

    def _properties(self, rows: Rows) -> Sequence[Any]:
        """Return what the gains of voices' partials depend on, each (K, P)."""
        arrays = self._arrays
        return (
            *(arrays.octaves[rows], arrays.numbers[rows], arrays.swell[rows]),
            arrays.overtones[rows],
            arrays.vowels[rows] if self._partial_gains.turn_vowels else None,
        )

    def _gains(self, rows: Rows, values: Array) -> Array | float:
        """Return the gains of some voices' partials at values of their rows of `Smoother`."""
        gains = self._partial_gains.gains(values, *self._properties(rows))
        return 1.0 if gains is None else gains

    def begin(self, rows: Rows, count: int, most: int, ramps: Ramps) -> None:
        """Make the rows of a block of ``count`` voices, ``most`` partials each; ``rows`` change."""
        arrays, sides = self._arrays, self._arrays.sides
        relative = self._on_the_way(rows, ramps)
        sub_blocks = len(relative)
        # As complex numbers, which a product of those need not convert.
        factors = np.empty((2, sub_blocks, count, most), np.complex64)
        level, grown = factors
        if len(relative[0]) < count:
            level[...], grown[...] = 1.0, 0.0
        cut = relative[..., :most]
        level[0], level[1:, rows] = 1.0, cut[:-1]
        cut = cut * (1.0 / ramps.sub_block_frames)
        grown[0, rows] = cut[0] - 1.0 / ramps.sub_block_frames
        grown[1:, rows] = cut[1:] - cut[:-1]
        state = arrays.state[:count, :, None, :most].astype(np.complex64)
        left = self._left[:count, ..., :most]
        plain = (arrays.outer[:count, None, :, :most] * state).reshape(
            count, 1, sides, sub_blocks, -1, most
        )
        np.multiply(
            plain,
            factors.transpose(2, 0, 1, 3)[:, :, None, :, None],
            out=left.reshape(count, 2, sides, sub_blocks, -1, most),
        )
        self._pairs = left.view(np.float32).reshape(count, -1, 2 * most)
        last = relative[-1]
        for kept, factors in (
            (arrays.state, last[:, None].astype(np.complex128)),
            (arrays.gains, last.astype(np.float64)),
        ):
            if isinstance(rows, slice):  # in place: nothing is copied onto itself
                cut = kept[rows]
                cut *= factors
            else:
                kept[rows] *= factors
        self._time = _time(ramps.sub_block_frames, sub_blocks * arrays.sides)

    def draw(self, count: int, partials: int, out: NDArray[np.float32]) -> None:
        """Write the block that was begun, of so many partials each, to ``out``, (V, ZR, C)."""
        width = 2 * partials
        drawn = np.matmul(self._pairs[..., :width], self._arrays.inner[:count, :width])
        level, grown = drawn.reshape(count, 2, -1).swapaxes(0, 1)
        grown *= self._time
        np.add(level, grown, out=out.reshape(count, -1))

    def _on_the_way(self, rows: Rows, ramps: Ramps) -> Array:
        """Return gains at the ends of sub-blocks over those at the block's start, (S, K, P)."""
        at_start = self._arrays.gains[rows].astype(np.float32)
        kind_of, motion_rows, properties = self._kinds(rows)
        by_column = ramps.path.swapaxes(1, 2)[1:].take(motion_rows, 2)
        values = by_column.astype(np.float32).swapaxes(1, 2)
        ends = self._partial_gains.gains(values, *properties)
        if ends is None:
            ends = np.ones((len(ramps.end), 1, 1), np.float32)
        elif ends.shape[1] < len(kind_of):
            ends = ends.take(kind_of, 1)
        relative: Array = ends / at_start
        if ramps.last < 1.0:  # the block ends inside its control period
            part = (ramps.last - ramps.first) / (1.0 - ramps.first)
            relative += (part - 1.0) * (relative - 1.0)
        return relative


@cache
def _time(frames: int, times: int) -> NDArray[np.float32]:
    """Return the frames of a sub-block, so many times."""
    return np.tile(np.arange(frames, dtype=np.float32), times)
