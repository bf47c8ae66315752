"""A bank: all slots with the same number of partials and sides, rendered together.

One call works on all rows in use and never touches a silent one. `voices.synthesis.resting_voices`
renders those whose pitch stands still, `voices.synthesis.moving_voices` the others;
then every row gets its envelope.

Shapes: ``V`` slots, ``P`` partials, ``S`` sides, ``T`` frames a block. `Bank.render` is on the
audio path: it takes no lock, logs nothing and raises nothing.
"""

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.envelopes.attack_lines import AttackLines
from voices.envelopes.envelope_segment import Segment, fade
from voices.envelopes.envelopes import Envelopes
from voices.modulation.ramps import Ramps
from voices.modulation.smoother import GAINS, Smoother
from voices.modulation.vibrato_lfo import LONGEST_BLOCK
from voices.phases.phasor_tables import shape_of
from voices.phases.scratch import Scratch
from voices.synthesis.drawn_periods import DrawnPeriods
from voices.synthesis.moving_voices import MovingVoices
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.periodic_voices import Partials, PeriodicVoices
from voices.synthesis.resting_voices import RestingVoices
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows, TableCache
from voices.synthesis.voice_arrays import VoiceArrays
from voices.synthesis.warped_voices import WarpedVoices
from voices.timbres.timbre import PADDING, padded

_NONE = np.zeros(0, np.intp)
PRUNE_FRAMES = 1024


class Bank:
    """The slots of as many partials each, in the rows of its arrays. One thread at a time."""

    def __init__(
        self,
        arrays: VoiceArrays,
        frames: int,
        smoother: Smoother,
        partial_gains: PartialGains,
        cache: TableCache,
        scratch: Scratch,
    ) -> None:
        self.arrays = arrays
        self.partials = self.active_partials = partials = arrays.partials
        """How many partials of each slot are to be rendered: the loudest."""
        self.least = 0
        """No slot here can do with fewer partials."""
        self.count = self.noises = 0
        """Its slots, and those of them that are noises."""
        self.slots: list[Slot] = []
        self._envelopes = Envelopes(arrays.capacity, frames)
        self._resting = RestingVoices(
            self.arrays, self.slots, frames, smoother, partial_gains, cache, scratch
        )
        self._moving = MovingVoices(self.arrays, self.slots, partial_gains, scratch.chirps)
        of, changing = (self.arrays, self.slots, frames, smoother), self._resting.changing
        self._drawn = DrawnPeriods(*of, changing, scratch.periods)
        self._periodic = PeriodicVoices(*of, self._drawn, self._moving, scratch.period_reader)
        self._warped = WarpedVoices(*of, changing, self._moving, scratch.reader)
        self._frames = frames
        self._smoother = smoother
        self._cache = cache
        self._rendered_partials = partials
        """How many of each were rendered in the last block."""
        self._entering: list[Segment] = []
        """The first segments of the slots whose rows are filled at the next block."""
        self._any_stale = False
        self._gains_unknown = True
        """Whether slots may have come, or follow another row, since they were taken over."""
        self.gains: NDArray[Any] | None = None
        """What the mixer made of the slots' gains; None: they have changed since."""
        self.levelled: tuple[NDArray[Any], NDArray[Any], NDArray[Any]] | None = None
        """Constant levels, gains, and what the mixer made of both."""
        self.next_end = float("inf")
        """No slot here is silent before this frame."""
        self._next_prune = 0
        self._make_wave()

    def _make_wave(self) -> None:
        sides = self.arrays.sides
        rows, columns = shape_of(self._frames, sides)
        self.wave = np.zeros((0, sides, self._frames), np.float32)
        """The block of every slot, before the channels' gains: (V, S, T)."""
        self.level: NDArray[np.float32] | None = None
        """What it is still to be multiplied by, (V, 1), where the envelopes are constant."""
        self._wave = np.zeros((self.arrays.capacity, sides * rows, columns), np.float32)

    @property
    def audible_partials(self) -> int:
        """How many partials of each slot are rendered at most: the others have all died away."""
        return self._resting.audible

    def use(self, lines: AttackLines) -> None:
        """Let new notes rise along these lines."""
        self._envelopes.use(lines)

    def add(self, slot: Slot) -> None:
        """Give a slot a row; its onset lies in the next block."""
        row = self.count
        if row == self.arrays.capacity:
            self.arrays.grow(2 * row)
            self._envelopes.grow(2 * row)
            self._resting.make_scratch()
            self._make_wave()
        timbre, segment = slot.timbre, slot.segment
        self.count += 1
        if timbre.is_noise:
            self.noises += 1
        slot.bank, slot.index = self, row
        self.slots.append(slot)
        if timbre.least > self.least:
            self.least = timbre.least
        self._entering.append(segment)
        if not segment.sustain:
            self._watch_end(slot)

    def change(self, slot: Slot, segment: Segment) -> None:
        """Start another segment of a slot's envelope, inside the next block."""
        slot.segment = segment
        self._envelopes.changes.append((slot.index, segment))
        self._watch_end(slot)

    def shed_noises(self, at: int, frames: int) -> None:
        """Fade those noises that sound, if they are not fading already."""
        for slot in self.slots if self.noises else ():
            if slot.timbre.is_noise and slot.ends == float("inf"):
                self.change(slot, fade(at, slot.level_at(at), frames))

    def follow(self, slot: Slot, motion_row: int) -> None:
        """Move a slot with another row of `Smoother` from now on."""
        slot.motion_row = self.arrays.motion_row[slot.index] = motion_row
        self._gains_unknown = True
        self.arrays.changes += 1

    def _watch_end(self, slot: Slot) -> None:
        slot.ends = ends = slot.segment.falls_below(slot.onset_spectrum.silent_below)
        if ends < self.next_end:
            self.next_end = ends

    def render(self, frame: int, ramps: Ramps | None) -> None:
        """Render the next block of every slot into `wave` and `level`.

        ``ramps`` are those of this block; None: nothing moves.
        """
        count, arrays = self.count, self.arrays
        stale: Rows | None = None
        if self._entering:
            if len(self._entering) == count:  # nothing can have decayed yet
                self._next_prune = frame - frame % PRUNE_FRAMES + PRUNE_FRAMES
            stale = self._fill_rows()
        moving = _NONE
        if ramps is not None:
            motion_rows = arrays.motion_row[:count]
            moving = self._smoother.moving[motion_rows].nonzero()[0]
            if self._smoother.gains_moving or self._gains_unknown:
                arrays.gain[:count].T[...] = self._smoother.values.T[GAINS].take(motion_rows, 1)
                self.gains, self._gains_unknown = None, False
        before, now, whole = self._rendered_partials, self.active_partials, self._resting.audible
        self._rendered_partials = now
        if before != whole or now != whole:
            before, now = min(before, whole), min(now, whole)
            if before < whole or now < whole:
                moving = self._periodic.keep(moving, frame)
        if len(moving) == count:
            stale = None
        elif self._any_stale or len(moving):
            any_stale = arrays.stale[:count].copy()
            any_stale[moving] = False
            stale = any_stale.nonzero()[0]
        if stale is not None and arrays.onset[stale].size:
            self._resting.refresh(stale, frame, ramps)
            self.gains = None
        if frame % LONGEST_BLOCK == 0:
            self._drawn.choose(frame, count, ramps)
            self._warped.choose(frame, count)
        self._drawn.draw(frame, ramps)
        wave = self._wave[:count]
        if len(moving) < count:
            changing = self._changing(moving, ramps)
            self._resting.render(count, before, now, wave, changing, ramps)
        flat = wave.reshape(count, -1, self._frames)
        self._any_stale = len(moving) > 0
        if len(moving):
            self._render_moving(moving, Partials(before, now, whole), frame, ramps, flat)
        level = self._envelopes.levels(frame, count)
        if level.shape[1] == 1:
            self.level = level
        else:
            flat *= level[:, None]
            self.level = None
        self.wave = flat

    def _render_moving(
        self,
        moving: NDArray[np.intp],
        partials: Partials,
        frame: int,
        ramps: Ramps | None,
        wave: NDArray[np.float32],
    ) -> None:
        before, now = partials.before, partials.now
        moving, over = self._periodic.render(moving, partials, frame, ramps, wave)
        if ramps is not None and len(moving):
            if before == now:
                moving, more = self._warped.render(moving, now, frame, ramps, wave)
                over = over + more
            if len(moving):
                self._moving.render(moving, before, now, frame, ramps, wave)
        for rows, first, heard in over:
            wave[rows, :, first : first + heard.shape[2]] = heard

    def _changing(self, moving: NDArray[np.intp], ramps: Ramps | None) -> Rows | None:
        """Return the rows whose spectra alone are on their way in a block; None: of no slot."""
        if ramps is None or not ramps.reshaping:
            return None
        changing = self._smoother.reshaping[self.arrays.motion_row[: self.count]]
        changing[moving] = False
        if changing.all():
            return slice(0, self.count)
        return changing.nonzero()[0] if changing.any() else None

    def _fill_rows(self) -> slice:
        """Fill the rows of all slots that were added since the last block, and return them."""
        first = self.count - len(self._entering)
        slots = self.slots[first:]
        wanted = [(slot.timbre, slot.key, slot.frequency) for slot in slots]
        for slot, place in zip(slots, self._cache.keys(wanted), strict=True):
            slot.tables = place
        onsets = np.array([segment[0] for segment in self._entering], np.float64)
        self.arrays.enter(first, slots, onsets)
        self._envelopes.start(first, self._entering, onsets)
        self._entering.clear()
        self._resting.audible = self.partials
        self._gains_unknown = True
        return slice(first, self.count)

    def silence_broken(self) -> list[Slot]:
        """Silence the slots whose sound in this block is not finite, and return them."""
        broken = np.logical_not(np.isfinite(self.wave).all(axis=(1, 2)))
        if self.level is not None:
            broken |= ~np.isfinite(self.level[:, 0])
            self.level[broken], self.levelled = 0.0, None
        self.wave[broken] = 0.0
        return [self.slots[row] for row in broken.nonzero()[0]]

    def end(self, slots: Iterable[Slot]) -> None:
        """End slots with this block, whatever their envelopes say."""
        for slot in slots:
            slot.ends = self.next_end = 0.0

    def take_ended(self, frame: int) -> list[Slot]:
        """Take out and return the slots that are silent from ``frame`` on."""
        if frame >= self._next_prune:
            self._prune_decayed(frame - frame % PRUNE_FRAMES)
        if frame < self.next_end:
            return []
        ended = [slot for slot in self.slots if slot.ends <= frame]
        for slot in ended:
            self._take_out(slot)
        self.next_end = min((slot.ends for slot in self.slots), default=float("inf"))
        return ended

    def _take_out(self, slot: Slot) -> None:
        """Give the row of a slot to the last one."""
        self._drawn.forget(slot)
        last, row = self.slots.pop(), slot.index
        self.count -= 1
        self.noises -= slot.timbre.is_noise
        self.gains = None
        self._envelopes.remove(row, self.count)
        if last is not slot:
            last.index = row
            self.slots[row] = last
        self.arrays.take_out(row, self.count, slot.timbre)
        if not self.count:
            self.arrays.forget_spread()

    def _prune_decayed(self, frame: int) -> None:
        """Zero the partials that have decayed, before their squares become subnormal."""
        self._next_prune = frame + PRUNE_FRAMES
        used, arrays = np.s_[: self.count], self.arrays
        if not arrays.any_decay:
            return
        heard = arrays.prune(used, frame)
        if heard is None:
            return
        for row in np.flatnonzero(~np.any(heard, axis=1)):
            self.slots[row].ends = self.next_end = frame
        if not self._entering:
            last = np.flatnonzero(np.any(heard, axis=0))[-1:] + 1
            self._resting.audible = padded(int(last.sum())) or PADDING
