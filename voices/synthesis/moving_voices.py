"""Voices whose pitch or spectrum moves, all sub-blocks of a block at once.

From block to block a voice carries the cycles it has turned, in double precision; the phases of its
partials at the middle of every control period follow from that, and `voices.phases.chirps`
renders them.

Shapes: ``K`` moving voices, ``S`` sub-blocks, each all or part of a control period, ``P`` partials,
rows of 16 columns, four in a control period.
"""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.phases.chirps import COLUMNS, MIDDLE, ROOM, ROW_CENTRES, Chirps, Levels
from voices.phases.phase_trajectory import Trajectory, middles, steepness, trajectory, turned
from voices.phases.phasor_tables import FADE_START, below_nyquist
from voices.phases.steep_periods import SteepPeriods, render_steep
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.slot import Slot
from voices.synthesis.spread import Spread, Spreading
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays

Array = NDArray[Any]


class MovingVoices:
    """The moving voices of a bank."""

    def __init__(
        self,
        arrays: VoiceArrays,
        slots: Sequence[Slot],
        partial_gains: PartialGains,
        chirps: Chirps,
    ) -> None:
        self._arrays = arrays
        self._spreading = Spreading(arrays, slots)
        self._partial_gains = partial_gains
        self._chirps = chirps

    def render(
        self,
        moving: NDArray[np.intp],
        before: int,
        now: int,
        frame: int,
        ramps: Ramps,
        wave: NDArray[np.float32],
    ) -> None:
        """Render ``moving`` voices, ``now`` partials each, into their rows of ``wave`` (V, S, T).

        If they had another number ``before``, the others fade.
        """
        arrays, partials = self._arrays, max(before, now)
        most = max(1, ROOM // ((len(ramps.pitch_ratio) - 1) * partials))
        for rows in _groups(moving, len(wave), most):
            motion_rows = arrays.motion_row[rows]
            ratios = ramps.pitch_ratio.take(motion_rows, 1)  # (S + 1, K)
            frequency = arrays.frequency[rows]
            begun = self.cycles_begun(rows, frame, ramps, ratios)
            spread = self._spreading.of(rows, partials, ramps)
            weights = self._nyquist_weights(rows, partials, ramps, ratios, spread)
            if spread is None:
                own, steep = steepness(ramps, motion_rows, ratios, arrays.highest[rows], weights)
            else:
                own, steep = spread.steepness(ramps, ratios, weights)
            pitches = arrays.ratios[rows, :partials]
            if spread is not None and spread.turns_alone(ramps, own):
                course, cycles = spread.turn(frame, ramps, ratios, begun)
            else:
                course = trajectory(ramps, ratios, frequency, begun, own)
                if spread is None:
                    cycles = course.cycles[:, :, None] * pitches
                else:
                    cycles = spread.follow(frame, ramps, ratios, begun, course, own)
            phasors = arrays.onset_phasors[rows, :, :partials].swapaxes(0, 1)
            if ramps.shaped and not ramps.reshaping:
                phasors = phasors * self._held_gains(rows, partials, ramps)
            if steep is None or not steep.all():
                gains = self._moving_gains(rows, partials, ramps, weights)
                levels = self._levels(rows, partials, frame, ramps, gains)
                levels = _crossfaded(levels, len(frequency), before, now, ramps)
                for side, those in enumerate(phasors):
                    turns = cycles if side == len(phasors) - 1 else cycles.copy()
                    self._render_chirps(
                        rows, ramps, course, spread, turns, those, levels, wave[:, side]
                    )
            if steep is not None:
                gains = self._moving_gains(rows, partials, ramps, None)
                levels = self._levels(rows, partials, frame, ramps, gains)
                levels = _crossfaded(levels, len(frequency), before, now, ramps)
                known = middles(course.cycles, course.slope, ratios, frequency, steep)
                period, voice = steep.nonzero()
                apart, ahead, knobs = (
                    (pitches[voice], 1.0, ()) if spread is None else spread.steep(ratios, steep)
                )
                places = np.arange(len(wave))[rows][voice], period
                for side, those in enumerate(phasors):
                    periods = SteepPeriods(
                        *(frequency[voice], *known, apart),
                        those[voice] * ahead,
                        levels and (levels[0][:, period, voice], levels[1][:, period, voice]),
                        knobs,
                    )
                    cut = wave[:, side].reshape(len(wave), -1, ramps.sub_block_frames)
                    cut[places] = render_steep(periods, ramps, high=weights is not None)
            arrays.cycles[rows], arrays.as_of[rows] = course.end, frame + wave.shape[2]
            arrays.stale[rows] = True

    def _render_chirps(
        self,
        rows: Rows,
        ramps: Ramps,
        course: Trajectory,
        spread: Spread | None,
        cycles: Array,
        phasors: NDArray[np.complex64],
        levels: Levels | None,
        wave: NDArray[np.float32],
    ) -> None:
        """Render every period of some voices to first order of their phase deviation."""
        i_omega, deviation = self._arrays.i_omega[rows, : phasors.shape[1]], course.deviation
        if spread is not None:
            i_omega, deviation = spread.deviation(course, i_omega)
        rendered = self._chirps.render(cycles, phasors, i_omega, deviation, levels)
        skipped, height = ramps.offset // COLUMNS, ramps.sub_block_frames // COLUMNS
        used = rendered[skipped : skipped + height].transpose(3, 2, 1, 0, 4)
        wave.reshape(len(wave), *used.shape[1:])[rows] = used

    def cycles_begun(self, rows: Rows, frame: int, ramps: Ramps, ratios: Array) -> Array:
        """Return the cycles each voice's key has turned since its onset, as the block begins."""
        arrays = self._arrays
        arrays.catch_up(rows, frame)
        cycles: Array = arrays.cycles[rows].copy()
        if arrays.latest_onset >= frame:  # a new voice has turned none at its onset
            into = arrays.onset[rows] - frame
            for voice in (into >= 0).nonzero()[0]:
                gone = turned(ratios[:, voice], int(into[voice]), ramps)
                cycles[voice] = -arrays.frequency[rows][voice] * gone
        return cycles

    def _held_gains(self, rows: Rows, partials: int, ramps: Ramps) -> NDArray[np.complex64] | float:
        """Return the gains of each partial, (K, P), while none of them changes."""
        arrays = self._arrays
        gains = self._partial_gains.gains(
            ramps.begin[0][arrays.motion_row[rows]],
            arrays.octaves[rows, :partials],
            arrays.numbers[rows, :partials],
            arrays.swell[rows, :partials],
            arrays.overtones[rows, :partials],
            self._vowels(rows, partials),
        )
        return 1.0 if gains is None else gains.astype(np.complex64)

    def _vowels(self, rows: Rows, partials: int) -> Array | None:
        if not self._partial_gains.turn_vowels:
            return None
        return np.asarray(self._arrays.vowels[rows, :, :partials])

    def _nyquist_weights(
        self, rows: Rows, partials: int, ramps: Ramps, ratios: Array, spread: Spread | None
    ) -> Array | None:
        """Return the weight of each partial at the control points, (S + 1, K, P); None: all 1."""
        arrays = self._arrays
        highest = arrays.highest[rows]
        most = highest.item(highest.argmax()) * ramps.max_ratio
        if spread is not None and most * spread.members.widest > FADE_START:
            most *= spread.most
        if most <= FADE_START:
            return None
        frequencies = arrays.ratios[rows, :partials] * arrays.frequency[rows][:, None]
        bent = ratios[:, :, None] if spread is None else ratios[:, :, None] * spread.factors
        return below_nyquist(frequencies * bent)

    def _moving_gains(
        self, rows: Rows, partials: int, ramps: Ramps, weights: Array | None
    ) -> tuple[Array, Array] | None:
        """Return the gains of each partial, (S, K, P), at both ends of every sub-block.

        They change with the controls, and with ``weights`` at the control points; decay is not
        among them. None: they are 1.
        """
        arrays = self._arrays
        if not ramps.reshaping:
            return (
                weights if weights is None else ramps.at_sub_block_ends(weights[:-1], weights[1:])
            )
        motion_rows = arrays.motion_row[rows]
        octaves, numbers = arrays.octaves[rows, :partials], arrays.numbers[rows, :partials]
        swell, overtones = arrays.swell[rows, :partials], arrays.overtones[rows, :partials]
        vowels = self._vowels(rows, partials)
        ends = []
        for values, side in ((ramps.begin, slice(None, -1)), (ramps.end, slice(1, None))):
            gains = self._partial_gains.gains(
                values[:, motion_rows], octaves, numbers, swell, overtones, vowels
            )
            if weights is not None:
                gains = weights[side] if gains is None else gains * weights[side]
            ends.append(gains)
        begin, end = ends
        if begin is None and end is None:
            return None  # other voices' change
        shape = (len(ramps.pitch_ratio) - 1, *octaves.shape)
        return ramps.at_sub_block_ends(
            np.ones(shape) if begin is None else begin, np.ones(shape) if end is None else end
        )

    def _levels(
        self,
        rows: Rows,
        partials: int,
        frame: int,
        ramps: Ramps,
        gains: tuple[Array, Array] | None,
    ) -> Levels | None:
        """Return the factor of every partial's level at the centre of every row, and its growth.

        None: always 1.
        """
        arrays = self._arrays
        dying = arrays.dying[rows].any()  # of others nothing is heard that decays
        if gains is None and not dying:
            return None
        # As if every sub-block were a whole control period: what lies outside of it is not used.
        to_middle = MIDDLE - ramps.offset
        if gains is not None:
            begin, end = gains
            slope = (end - begin) / ramps.sub_block_frames
            level = begin + slope * (ROW_CENTRES + to_middle)[:, None, None, None]
            if not dying:
                return level.astype(np.complex64), slope[None].astype(np.complex64)
        decays = arrays.decays[rows, :partials]
        middles = frame + to_middle + np.arange(len(ramps.pitch_ratio) - 1) * ramps.sub_block_frames
        left = np.exp(-decays * (middles[:, None] - arrays.onset[rows])[..., None])
        left = _at_rows(decays)[:, None] * left
        if gains is None:
            return left.astype(np.complex64), (-decays * left).astype(np.complex64)
        grows = (slope - decays * level) * left
        return (level * left).astype(np.complex64), grows.astype(np.complex64)


def _crossfaded(
    levels: Levels | None, voices: int, before: int, now: int, ramps: Ramps
) -> Levels | None:
    """Return levels with the partials that are left out, or taken back, fading over the block."""
    if before == now:
        return levels
    sub_blocks, fewer = len(ramps.pitch_ratio) - 1, min(before, now)
    growth = (1 if now > before else -1) / (sub_blocks * ramps.sub_block_frames)
    starts = np.arange(sub_blocks) * ramps.sub_block_frames + MIDDLE - ramps.offset
    rise = np.ones((4, sub_blocks, voices, max(before, now)))
    rise[..., fewer:] = ((ROW_CENTRES[:, None] + starts) * growth)[..., None, None] + (now < before)
    grows = np.zeros_like(rise)
    grows[..., fewer:] = growth
    level, slope = levels or (np.ones(1), np.zeros(1))
    return (level * rise).astype(np.complex64), (slope * rise + level * grows).astype(np.complex64)


def _groups(moving: NDArray[np.intp], voices: int, most: int) -> Iterator[Rows]:
    """Yield so many moving voices at a time; as slices, which cost less, where all of them move."""
    for first in range(0, len(moving), most):
        part = slice(first, min(first + most, len(moving)))
        yield part if len(moving) == voices else moving[part]


def _at_rows(decays: Array) -> Array:
    """Return the level of partials at the row centres over that in the middle, (4, K, P)."""
    half = np.exp(decays * (COLUMNS / 2))
    more = half * half * half
    return np.array([more, half, 1 / half, 1 / more])
