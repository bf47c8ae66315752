"""Voices whose pitch stands still: a block of all of them is one stacked product.

`voices.synthesis.changing_spectra` makes its rows where a spectrum changes.

Shapes: ``V`` voices, ``P`` partials, ``S`` sides, blocks of ``R`` rows by ``C`` columns (see
`voices.phases.phasor_tables`).
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import GAINS, PITCH, SHAPE, SPREAD, Smoother
from voices.phases.phasor_tables import shape_of
from voices.phases.scratch import Scratch
from voices.synthesis.changing_spectra import ChangingSpectra
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.shares import find_shares, spread_turn
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows, TableCache, by_tables, fill
from voices.synthesis.voice_arrays import VoiceArrays


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
        scratch: Scratch,
    ) -> None:
        self._arrays = arrays
        self._slots = slots
        self._shape = shape_of(frames, arrays.sides)
        self._smoother = smoother
        self.changing = ChangingSpectra(arrays, slots, frames, smoother, partial_gains, scratch)
        self._cache = cache
        self._scratch = scratch
        self.audible = arrays.partials
        """Of every voice the partials from this one on have decayed to nothing."""
        self.make_scratch()

    def make_scratch(self) -> None:
        """Have as many rows as the arrays have."""
        arrays = self._arrays
        voices = arrays.capacity, arrays.sides
        self._narrow = self._scratch.narrow(*voices, 1, arrays.partials)
        self._left = self._scratch.left(*voices, self._shape[0], arrays.partials)
        self._views: tuple[Any, ...] = ()
        self._views_of = (0, 0)
        self.changing.make_scratch()

    # --- coming to rest --------------------------------------------------------------------

    def refresh(self, rows: Rows, frame: int, ramps: Ramps | None) -> None:
        """Give voices that are at rest now the tables and state of the pitch they rest at."""
        arrays, smoother = self._arrays, self._smoother
        arrays.changes += 1
        motion_rows = arrays.motion_row[rows]
        arrays.gain[rows] = smoother.values.T[GAINS].take(motion_rows, 1).T
        if isinstance(rows, slice) and smoother.plain:  # all have just been filled
            self._begin(rows, frame)
        else:
            new = arrays.onset[rows] >= frame
            new &= ~smoother.values[motion_rows, SHAPE].any(axis=1)
            if ramps is not None:
                new &= ~ramps.begin[0, motion_rows, SHAPE].any(axis=1)
            self._refresh_some(np.array(_numbers(rows)), new, frame, ramps)
        arrays.stale[rows] = False

    def _refresh_some(
        self, rows: NDArray[np.intp], new: NDArray[np.bool_], frame: int, ramps: Ramps | None
    ) -> None:
        if not new.all():
            self._resume(rows[~new], frame, ramps)
        if new.any():
            self._begin(rows[new], frame)

    def _begin(self, rows: Rows, frame: int) -> None:
        """Start voices at their keys' own pitch and spectrum."""
        arrays = self._arrays
        entered, groups = arrays.entered
        if not isinstance(rows, slice) or rows != entered:
            numbers = _numbers(rows)
            groups = list(by_tables(numbers, [self._slots[row].tables for row in numbers]))
        for some, made, keys in groups:
            back = made.back(keys, (arrays.onset[some] - frame).astype(np.intp))
            if isinstance(some, slice):
                np.multiply(arrays.onset_phasors[some], back[:, None], out=arrays.state[some])
            else:
                arrays.state[some] = arrays.onset_phasors[some] * back[:, None]

    def _resume(self, rows: NDArray[np.intp], frame: int, ramps: Ramps | None) -> None:
        """Go on with voices that have come to rest, or that start bent."""
        arrays = self._arrays
        values = self._smoother.values[arrays.motion_row[rows]]
        cents, spread = values[:, PITCH], values[:, SPREAD]
        frequency = arrays.frequency[rows] * np.exp2(cents / 1200.0)
        arrays.table_frequency[rows] = frequency
        level = np.exp(arrays.decays[rows] * (arrays.onset[rows] - frame)[:, None])
        arrays.gains[rows] = gains = self.changing.at_start(rows, ramps)
        level *= gains
        key_cycles = arrays.cycles_at(rows, frame, frequency)
        cycles = arrays.ratios[rows] * key_cycles[:, None]
        if arrays.spreading or spread.any():
            find_shares(arrays, self._slots, rows)
            fresh = arrays.onset[rows] >= frame
            arrays.spread_cycles[rows[fresh]] = (spread * key_cycles[:, None])[fresh]
            arrays.table_spread[rows] = spread
            cycles += arrays.ratios[rows] * spread_turn(arrays, rows)
        phasors = np.exp(2j * np.pi * (cycles - np.rint(cycles)))
        arrays.state[rows] = (level * phasors)[:, None] * arrays.onset_phasors[rows]
        arrays.cycles[rows], arrays.as_of[rows] = key_cycles, frame
        numbers = _numbers(rows)
        slots = [self._slots[row] for row in numbers]
        bent = zip(slots, frequency.tolist(), spread.tolist(), strict=True)
        places = self._cache.bent([(slot.timbre, slot.key, hz, *at) for slot, hz, at in bent])
        for some, made, keys in by_tables(numbers, places):
            fill(arrays.outer, some, made.rows, keys)
            fill(arrays.inner, some, made.columns, keys)
            fill(arrays.step, some, made.step, keys)
            arrays.state[some] *= made.weight[keys][:, None]

    # --- resting ---------------------------------------------------------------------------

    def render(
        self,
        count: int,
        before: int,
        partials: int,
        wave: NDArray[np.float32],
        changing: Rows | None,
        ramps: Ramps | None,
    ) -> None:
        """Render the first ``count`` voices as if the pitch of all were at rest: (V, SR, C).

        Each has ``partials`` partials; if it had another number ``before``, the others fade. The
        spectra of those in the rows ``changing`` are on their way.
        """
        most = max(before, partials)
        if self._views_of != (count, most):
            self._cut_views(count, most)
        narrow, narrow_active, first, outer, left, left_real, inner, state, step = self._views
        if changing is not None and ramps is not None:
            self.changing.begin(changing, count, most, ramps)
            self.changing.draw(count, most, wave)
        else:
            narrow[:] = state
            if first is not None:
                first[:] = narrow_active
            np.multiply(outer, narrow_active, out=left)
            np.matmul(left_real, inner, out=wave)
        if before != partials:
            fewer = min(before, partials)
            if changing is None:
                kept = np.matmul(left_real[..., : 2 * fewer], inner[:, : 2 * fewer])
            else:
                kept = np.empty_like(wave)
                self.changing.draw(count, fewer, kept)
            rise = _rise(self._shape, self._arrays.sides)
            wave -= kept
            wave *= rise if partials > before else 1.0 - rise
            wave += kept
        state *= step

    def _cut_views(self, count: int, most: int) -> None:
        """Keep the views that `render` works on: cutting them costs more than a small product."""
        arrays, narrow = self._arrays, self._narrow[:count]
        left, state = self._left[:count, ..., :most], arrays.state[:count, :, None]
        pairs = left.view(np.float32).reshape(count, -1, 2 * most)
        # The factors of the first row are 1; leaving it out pays where it is half of the work.
        skipped = int(left.shape[2] == 2)
        self._views_of = (count, most)
        self._views = (
            *(narrow, narrow[..., :most], left[:, :, :1] if skipped else None),
            *(arrays.outer[:count, None, skipped:, :most], left[:, :, skipped:], pairs),
            *(arrays.inner[:count, : 2 * most], state),
            arrays.step[:count, None, None],
        )


def _numbers(rows: Rows) -> range | list[int]:
    return range(rows.start, rows.stop) if isinstance(rows, slice) else rows.tolist()


def _rise(shape: tuple[int, int], sides: int) -> NDArray[np.float32]:
    """Return a straight line from 0 to 1 over a block, the same for each side, (SR, C)."""
    rows, columns = shape
    line = np.arange(rows * columns, dtype=np.float32) / np.float32(rows * columns)
    return np.tile(line.reshape(shape), (sides, 1))
