"""A bank: all voices with the same number of partials, rendered together.

One call works on all rows in use and never touches a silent one. Voices whose pitch and spectrum
stand still are one stacked matrix product (see `voices.synthesis.phasor_tables`), the others go
through `voices.synthesis.moving_voices`; then every row gets its envelope.

Shapes: ``V`` voices, ``P`` partials, ``T`` frames a block, cut into ``R`` rows of ``C`` columns.
`Bank.render` is on the audio path: it takes no lock, logs nothing and raises nothing.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import GAINS, PITCH, SHAPE, Smoother
from voices.synthesis.chirps import Chirps
from voices.synthesis.envelope_segment import Segment
from voices.synthesis.envelopes import Envelopes
from voices.synthesis.moving_voices import render_moving
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.phasor_tables import Tables, shape_of
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import TableCache
from voices.synthesis.voice_arrays import VoiceArrays

SILENT = 1e-7
"""A voice below this level (-140 dB) has ended ..."""
FAINT = 1e-8
"""... and a partial below this one is zeroed."""
TIDY_FRAMES = 1024
SPARE_ROWS = 8


class Bank:
    """The voices of ``partials`` partials each. One thread at a time."""

    def __init__(
        self,
        partials: int,
        frames: int,
        voices: int,
        motion: Smoother,
        spectrum: PartialGains,
        cache: TableCache,
        cells: Chirps,
    ) -> None:
        self.partials = partials
        self.active_partials = partials
        """How many partials of each voice are rendered: the loudest."""
        self.count = 0
        self.slots: list[Slot] = []
        self.rows = VoiceArrays(partials, frames, voices + SPARE_ROWS)
        self._envelopes = Envelopes(voices + SPARE_ROWS, frames)
        self._frames = frames
        self._motion = motion
        self._spectrum = spectrum
        self._cache = cache
        self._cells = cells
        self._rendered_partials = partials
        self._coming: list[Segment] = []
        """The first segments of the voices whose rows are filled at the next block."""
        self._any_stale = False
        self.next_end = float("inf")
        """No slot here is silent before this frame."""
        self._next_tidy = 0
        self._make_scratch()

    def _make_scratch(self) -> None:
        capacity, (rows, columns) = self.rows.capacity, shape_of(self._frames)
        self._narrow = np.zeros((capacity, self.partials), np.complex64)
        self._left = np.zeros((capacity, rows, self.partials), np.complex64)
        self._wave = np.zeros((capacity, rows, columns), np.float32)
        self._views: tuple[NDArray[Any], ...] = ()
        self._views_of = (0, 0)

    def add(self, slot: Slot) -> None:
        """Give a slot a row; its onset lies in the next block."""
        row = self.count
        if row == self.rows.capacity:
            self.rows.grow(2 * row)
            self._envelopes.grow(2 * row)
            self._make_scratch()
        self.count += 1
        slot.bank, slot.index = self, row
        self.slots.append(slot)
        self._coming.append(slot.segment)
        if not slot.segment.sustain:
            self._watch_end(slot)

    def change(self, slot: Slot, segment: Segment) -> None:
        """Start another segment of a slot's envelope, inside the next block."""
        slot.segment = segment
        self._envelopes.change(slot.index, segment)
        self._watch_end(slot)

    def follow(self, slot: Slot, motion_row: int) -> None:
        """Move a slot with another row of `Smoother` from now on."""
        slot.motion_row = self.rows.channel[slot.index] = motion_row

    def _watch_end(self, slot: Slot) -> None:
        if slot.segment.sustain > 0:
            slot.ends = float("inf")
            return
        loudest = slot.onset_spectrum.loudest
        slot.ends = slot.segment.falls_below(min(0.5, SILENT / max(loudest, SILENT)))
        self.next_end = min(self.next_end, slot.ends)

    def render(
        self, frame: int, passage: Ramps | None
    ) -> tuple[NDArray[np.float32], NDArray[np.float32] | None]:
        """Return the next block of every voice, (V, T), before the channels' gains.

        With it comes a level for each, (V, 1), where that is all the envelopes ask for.
        ``passage`` is the motion of the channels in this block, if there is any.
        """
        count, rows = self.count, self.rows
        if self._coming:
            self._fill_rows()
        movers = np.zeros(0, np.intp)
        if passage is not None:
            channels = rows.channel[:count]
            movers = self._motion.moving[channels].nonzero()[0]
            gain = rows.gain[:count]
            gain.T[...] = self._motion.values.T[GAINS].take(channels, 1)
            gain *= rows.sides[:count]
        if self._any_stale and len(movers) < count:
            rested = rows.stale[:count].copy()
            rested[movers] = False
            which = rested.nonzero()[0]
            if len(which):
                self._settle(which, frame)
        wave = self._wave[:count]
        if len(movers) < count:
            self._product(count, wave)
        flat = wave.reshape(count, self._frames)
        if len(movers) and passage is not None:
            render_moving(
                self._cells,
                rows,
                movers,
                self.active_partials,
                frame,
                passage,
                self._spectrum,
                flat,
            )
        self._any_stale = len(movers) > 0
        level = self._envelopes.levels(frame, count)
        if level.shape[1] == 1:
            return flat, level
        flat *= level
        return flat, None

    def _fill_rows(self) -> None:
        """Give all voices that have come since the last block what is in their rows, at once."""
        first = self.count - len(self._coming)
        onsets = [segment.start for segment in self._coming]
        self.rows.enter(first, self.slots[first:], onsets)
        self._envelopes.start(first, self._coming)
        self._coming.clear()
        self._any_stale = True

    def _product(self, count: int, wave: NDArray[np.float32]) -> None:
        """Render every voice as if it were at rest."""
        most = max(self._rendered_partials, self.active_partials)
        if self._views_of != (count, most):
            self._cut_views(count, most)
        narrow, narrow_kept, outer, left, left_real, inner, state, step = self._views
        narrow[:] = state
        np.multiply(outer, narrow_kept, out=left)
        if self._rendered_partials != self.active_partials:
            self._cross_over(left)
        np.matmul(left_real, inner, out=wave)
        state *= step

    def _cut_views(self, count: int, most: int) -> None:
        """Keep the views that `_product` works on: cutting them costs more than a small product."""
        rows, left = self.rows, self._left[:count, :, :most]
        narrow = self._narrow[:count]
        self._views_of = (count, most)
        self._views = (
            *(narrow, narrow[:, None, :most], rows.outer[:count, :, :most]),
            *(left, left.view(np.float32), rows.inner[:count, : 2 * most]),
            *(rows.state[:count], rows.step[:count]),
        )

    def _cross_over(self, left: NDArray[np.complex64]) -> None:
        """Fade the partials that are let go, or taken back, over this block."""
        height = left.shape[1]
        rise = ((np.arange(height) + 0.5) / height).astype(np.float32)[:, None]
        fewer, more = sorted((self._rendered_partials, self.active_partials))
        left[:, :, fewer:more] *= rise if self.active_partials == more else rise[::-1]
        self._rendered_partials = self.active_partials

    def _settle(self, which: NDArray[np.intp], frame: int) -> None:
        """Give voices at rest the tables and state of the pitch they rest at."""
        rows = self.rows
        values = self._motion.values[rows.channel[which]]
        rows.gain[which] = values[:, GAINS] * rows.sides[which]
        new = rows.onset[which] >= frame
        if not values[:, SHAPE].any() and new.all():
            self._begin(which, frame)
        else:
            begins = new & ~values[:, SHAPE].any(axis=1)
            self._rest(which[~begins], frame)
            if begins.any():
                self._begin(which[begins], frame)
        rows.stale[which] = False

    def _begin(self, which: NDArray[np.intp], frame: int) -> None:
        """Start notes at their keys' own pitch and spectrum."""
        rows = self.rows
        turning = rows.turning[which] = rows.frequency[which]
        known = self._tables(which, turning)
        back = np.array([tables.exponents for tables in known])
        back *= (frame - rows.onset[which])[:, None]
        np.exp(back, out=back)
        back *= rows.starts[which]
        rows.state[which] = back * np.array([tables.weight for tables in known])

    def _tables(self, which: NDArray[np.intp], turning: NDArray[np.float64]) -> list[Tables]:
        """Fill in the tables of voices for frequencies, and return them."""
        rows, slots = self.rows, [self.slots[row] for row in which]
        known = self._cache.tables(
            [
                (slot.timbre, slot.key, turns)
                for slot, turns in zip(slots, turning.tolist(), strict=True)
            ]
        )
        for row, tables in zip(which.tolist(), known, strict=True):
            rows.outer[row], rows.inner[row], rows.step[row] = tables[:3]
        return known

    def _rest(self, which: NDArray[np.intp], frame: int) -> None:
        """Go on with voices that have come to rest, or that start bent."""
        rows = self.rows
        values = self._motion.values[rows.channel[which]]
        turning = rows.frequency[which] * np.exp2(values[:, PITCH] / 1200.0)
        known = self._tables(which, turning)
        level = np.array([tables.weight for tables in known])
        level *= np.exp(rows.decays[which] * (rows.onset[which] - frame)[:, None])
        gains = self._spectrum.gains(
            values, rows.octaves[which], rows.numbers[which], rows.swell[which]
        )
        if gains is not None:
            level *= gains
        phase = rows.phase_at(which, frame, turning)
        angle = rows.ratios[which] * phase[:, None]
        turned = np.exp(2j * np.pi * (angle - np.rint(angle)))
        rows.state[which] = level * rows.starts[which] * turned
        rows.phase[which], rows.since[which], rows.turning[which] = phase, frame, turning

    def ended(self, frame: int) -> list[Slot]:
        """Take out and return the slots that are silent from ``frame`` on."""
        if frame >= self._next_tidy:
            self._tidy(frame - frame % TIDY_FRAMES)
        if frame < self.next_end:
            return []
        ended = [slot for slot in self.slots if slot.ends <= frame]
        for slot in ended:
            self._take_out(slot)
        self.next_end = min((slot.ends for slot in self.slots), default=float("inf"))
        return ended

    def _take_out(self, slot: Slot) -> None:
        """Hand the row of a slot to the last one."""
        last = self.slots.pop()
        self.count -= 1
        if last is not slot:
            row = last.index = slot.index
            self.slots[row] = last
            self.rows.move(self.count, row)
            self._envelopes.move(self.count, row)

    def _tidy(self, frame: int) -> None:
        """Zero the partials that have died away, before their squares become subnormal."""
        self._next_tidy = frame + TIDY_FRAMES
        used = np.s_[: self.count]
        rows = self.rows
        if not rows.fading:
            return
        age = np.maximum(frame - rows.onset[used], 0.0)
        level = rows.levels[used] * np.exp(-rows.decays[used] * age[:, None])
        faint = (level < FAINT) & (rows.decays[used] > 0)
        rows.state[used][faint] = 0.0
        rows.starts[used][faint] = 0.0
        rows.levels[used][faint] = 0.0
        for row in np.flatnonzero(~rows.levels[used].any(axis=1)):
            self.slots[row].ends = self.next_end = frame
