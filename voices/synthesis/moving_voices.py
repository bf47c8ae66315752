"""Voices whose pitch or spectrum moves, all sub-blocks of a block at once.

From block to block a voice carries the cycles it has turned, in double precision; the phases of its
partials at the middle of every control period follow from that, and `voices.synthesis.chirps`
renders them.

Shapes: ``K`` moving voices, ``S`` sub-blocks, each all or part of a control period, ``P`` partials,
rows of 16 columns, four in a control period.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD
from voices.synthesis.chirps import COLUMNS, MIDDLE, ROOM, ROW_CENTRES, Chirps, Levels
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.phase_trajectory import trajectory
from voices.synthesis.phasor_tables import FADE_START, below_nyquist
from voices.synthesis.voice_arrays import Rows, VoiceArrays

Array = NDArray[Any]


class MovingVoices:
    """The moving voices of a bank."""

    def __init__(self, arrays: VoiceArrays, partial_gains: PartialGains, chirps: Chirps) -> None:
        self._arrays = arrays
        self._partial_gains = partial_gains
        self._chirps = chirps

    def render(
        self,
        moving: NDArray[np.intp],
        partials: int,
        frame: int,
        ramps: Ramps,
        wave: NDArray[np.float32],
    ) -> None:
        """Render the ``moving`` voices into their rows of ``wave`` (V, T), ``partials`` each."""
        arrays = self._arrays
        skipped, height = ramps.offset // COLUMNS, ramps.sub_block_frames // COLUMNS
        most = max(1, ROOM // ((len(ramps.pitch_ratio) - 1) * partials))
        for rows in _groups(moving, len(wave), most):
            ratios = ramps.pitch_ratio.take(arrays.motion_row[rows], 1)  # (S + 1, K)
            begun = self._cycles_begun(rows, frame, ramps, ratios)
            end, key_cycles, deviation = trajectory(ramps, ratios, arrays.frequency[rows], begun)
            onset_phasors = arrays.onset_phasors[rows, :partials]
            if ramps.shaped and not ramps.reshaping:
                onset_phasors = onset_phasors * self._held_gains(rows, partials, ramps)
            gains = self._moving_gains(rows, partials, ramps, ratios)
            levels = self._levels(rows, partials, frame, ramps, gains)
            cycles = key_cycles[:, :, None] * arrays.ratios[rows, :partials]
            i_omega = arrays.i_omega[rows, :partials]
            rendered = self._chirps.render(cycles, onset_phasors, i_omega, deviation, levels)
            used = rendered[skipped : skipped + height].transpose(3, 2, 1, 0, 4)
            wave.reshape(len(wave), *used.shape[1:])[rows] = used
            arrays.cycles[rows], arrays.as_of[rows] = end, frame + wave.shape[1]
            arrays.stale[rows] = True

    def _cycles_begun(self, rows: Rows, frame: int, ramps: Ramps, ratios: Array) -> Array:
        """Return the cycles each voice's key has turned since its onset, as the block begins."""
        arrays = self._arrays
        if all(arrays.stale[rows].tolist()):
            cycles: Array = arrays.cycles[rows].copy()
        else:  # some rested until now
            cycles = arrays.cycles_at(rows, frame, arrays.table_frequency[rows])
        if arrays.latest_onset >= frame:  # a new voice has turned none at its onset
            into = arrays.onset[rows] - frame
            for voice in (into >= 0).nonzero()[0]:
                sub_block, rest = divmod(int(into[voice]), ramps.sub_block_frames)
                path = ratios[:, voice]
                slope = np.diff(path) / CONTROL_PERIOD
                first = path[:-1] + slope * ramps.offset
                middle = first + slope * (ramps.sub_block_frames / 2)
                turned = ramps.sub_block_frames * middle[:sub_block].sum()
                turned += rest * (first[sub_block] + slope[sub_block] * (rest / 2))
                cycles[voice] = -arrays.frequency[rows][voice] * turned
        return cycles

    def _held_gains(self, rows: Rows, partials: int, ramps: Ramps) -> NDArray[np.complex64] | float:
        """Return the gains of each partial, (K, P), while none of them changes."""
        arrays = self._arrays
        gains = self._partial_gains.gains(
            ramps.begin[0][arrays.motion_row[rows]],
            arrays.octaves[rows, :partials],
            arrays.numbers[rows, :partials],
            arrays.swell[rows, :partials],
        )
        return 1.0 if gains is None else gains.astype(np.complex64)

    def _moving_gains(
        self, rows: Rows, partials: int, ramps: Ramps, ratios: Array
    ) -> tuple[Array, Array] | None:
        """Return the gains of each partial, (S, K, P), at both ends of every sub-block.

        They change with the controls and near Nyquist; decay is not among them. None: they are 1.
        """
        arrays = self._arrays
        high = arrays.max_frequency * ramps.max_ratio > FADE_START
        if not (ramps.reshaping or high):
            return None
        motion_rows = arrays.motion_row[rows]
        octaves, numbers = arrays.octaves[rows, :partials], arrays.numbers[rows, :partials]
        swell = arrays.swell[rows, :partials]
        frequencies = arrays.ratios[rows, :partials] * arrays.frequency[rows][:, None]
        ends = []
        for values, ratio in ((ramps.begin, ratios[:-1]), (ramps.end, ratios[1:])):
            gains = None
            if ramps.reshaping:
                gains = self._partial_gains.gains(values[:, motion_rows], octaves, numbers, swell)
            if high:
                weight = below_nyquist(frequencies * ratio[:, :, None])
                gains = weight if gains is None else gains * weight
            ends.append(gains)
        begin, end = ends
        if begin is None and end is None:
            return None  # other voices' change
        shape = (*ratios[1:].shape, partials)
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
        if gains is None and not arrays.any_decay:
            return None
        # As if every sub-block were a whole control period: what lies outside of it is not used.
        to_middle = MIDDLE - ramps.offset
        if gains is not None:
            begin, end = gains
            slope = (end - begin) / ramps.sub_block_frames
            level = begin + slope * (ROW_CENTRES + to_middle)[:, None, None, None]
            if not arrays.any_decay:
                return level.astype(np.complex64), slope[None].astype(np.complex64)
        decays = arrays.decays[rows, :partials]
        middles = frame + to_middle + np.arange(len(ramps.pitch_ratio) - 1) * ramps.sub_block_frames
        left = np.exp(-decays * (middles[:, None] - arrays.onset[rows])[..., None])
        left = _at_rows(decays)[:, None] * left
        if gains is None:
            return left.astype(np.complex64), (-decays * left).astype(np.complex64)
        grows = (slope - decays * level) * left
        return (level * left).astype(np.complex64), grows.astype(np.complex64)


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
