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
from voices.synthesis.voice_arrays import VoiceArrays

Array = NDArray[Any]
Which = slice | NDArray[np.intp]


def render_moving(
    chirps: Chirps,
    arrays: VoiceArrays,
    moving: NDArray[np.intp],
    partials: int,
    frame: int,
    ramps: Ramps,
    partial_gains: PartialGains,
    wave: NDArray[np.float32],
) -> None:
    """Render the ``moving`` voices into their rows of ``wave`` (V, T), ``partials`` each."""
    frames, offset, count = ramps.sub_block_frames, ramps.offset, len(ramps.pitch_ratio) - 1
    skipped, height = offset // COLUMNS, frames // COLUMNS
    for which in _groups(moving, len(wave), max(1, ROOM // (count * partials))):
        channels = arrays.channel[which]
        ratios = ramps.pitch_ratio.take(channels, 1)  # (S + 1, K)
        begun = _cycles_begun(arrays, which, frame, ramps, ratios)
        end, cycles, deviation = trajectory(ramps, ratios, arrays.frequency[which], begun)
        onset_phasors = arrays.starts[which, :partials]
        if ramps.shaped and not ramps.reshaping:
            held = _held_gains(arrays, which, partials, ramps, partial_gains, channels)
            onset_phasors = onset_phasors * held
        gains = _moving_gains(arrays, which, partials, ramps, partial_gains, ratios, channels)
        levels = _levels(arrays, which, partials, frame, ramps, gains)
        each = cycles[:, :, None] * arrays.ratios[which, :partials]
        i_omega = arrays.pace[which, :partials]
        rendered = chirps.render(each, onset_phasors, i_omega, deviation, levels)
        used = rendered[skipped : skipped + height].transpose(3, 2, 1, 0, 4)
        wave.reshape(len(wave), *used.shape[1:])[which] = used
        arrays.phase[which], arrays.since[which] = end, frame + wave.shape[1]
        arrays.stale[which] = True


def _groups(moving: NDArray[np.intp], voices: int, most: int) -> Iterator[Which]:
    """Yield so many moving voices at a time; as slices, which cost less, where all of them move."""
    for first in range(0, len(moving), most):
        part = slice(first, min(first + most, len(moving)))
        yield part if len(moving) == voices else moving[part]


def _cycles_begun(
    arrays: VoiceArrays, which: Which, frame: int, ramps: Ramps, ratios: Array
) -> Array:
    """Return the cycles that each voice's key has turned since its onset, as the block begins."""
    if all(arrays.stale[which].tolist()):
        phase: Array = arrays.phase[which].copy()
    else:  # some rested until now
        phase = arrays.phase_at(which, frame, arrays.turning[which])
    if arrays.newest >= frame:  # a new voice has phase 0 at its onset
        into = arrays.onset[which] - frame
        for voice in (into >= 0).nonzero()[0]:
            sub_block, rest = divmod(int(into[voice]), ramps.sub_block_frames)
            path = ratios[:, voice]
            slope = np.diff(path) / CONTROL_PERIOD
            first = path[:-1] + slope * ramps.offset
            middle = first + slope * (ramps.sub_block_frames / 2)
            turned = ramps.sub_block_frames * middle[:sub_block].sum()
            turned += rest * (first[sub_block] + slope[sub_block] * (rest / 2))
            phase[voice] = -arrays.frequency[which][voice] * turned
    return phase


def _held_gains(
    arrays: VoiceArrays,
    which: Which,
    partials: int,
    ramps: Ramps,
    partial_gains: PartialGains,
    channels: NDArray[np.intp],
) -> NDArray[np.complex64] | float:
    """Return the gains of each partial, (K, P), while none of them changes."""
    values = ramps.begin[0][channels]
    octaves, numbers = arrays.octaves[which, :partials], arrays.numbers[which, :partials]
    gains = partial_gains.gains(values, octaves, numbers, arrays.swell[which, :partials])
    return 1.0 if gains is None else gains.astype(np.complex64)


def _moving_gains(
    arrays: VoiceArrays,
    which: Which,
    partials: int,
    ramps: Ramps,
    partial_gains: PartialGains,
    ratios: Array,
    channels: NDArray[np.intp],
) -> tuple[Array, Array] | None:
    """Return the gains of each partial, (S, K, P), at both ends of every sub-block.

    They change with the controls and near Nyquist; decay is not among them. None: nothing changes.
    """
    high = arrays.highest * ramps.max_ratio > FADE_START
    if not (ramps.reshaping or high):
        return None
    swell = arrays.swell[which, :partials]
    octaves, numbers = arrays.octaves[which, :partials], arrays.numbers[which, :partials]
    frequencies = arrays.ratios[which, :partials] * arrays.frequency[which][:, None]
    ends = []
    for values, ratio in ((ramps.begin, ratios[:-1]), (ramps.end, ratios[1:])):
        gains = None
        if ramps.reshaping:
            gains = partial_gains.gains(values[:, channels], octaves, numbers, swell)
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
    arrays: VoiceArrays,
    which: Which,
    partials: int,
    frame: int,
    ramps: Ramps,
    gains: tuple[Array, Array] | None,
) -> Levels | None:
    """Return the factor of every partial's level at the centre of every row, and its growth.

    None: always 1.
    """
    if gains is None and not arrays.fading:
        return None
    # As if every sub-block were a whole control period: what lies outside of it is not used.
    to_middle = MIDDLE - ramps.offset
    if gains is not None:
        begin, end = gains
        slope = (end - begin) / ramps.sub_block_frames
        level = begin + slope * (ROW_CENTRES + to_middle)[:, None, None, None]
        if not arrays.fading:
            return level.astype(np.complex64), slope[None].astype(np.complex64)
    decays = arrays.decays[which, :partials]
    middles = frame + to_middle + np.arange(len(ramps.pitch_ratio) - 1) * ramps.sub_block_frames
    left = np.exp(-decays * (middles[:, None] - arrays.onset[which])[..., None])
    left = _at_rows(decays)[:, None] * left
    if gains is None:
        return left.astype(np.complex64), (-decays * left).astype(np.complex64)
    grows = (slope - decays * level) * left
    return (level * left).astype(np.complex64), grows.astype(np.complex64)


def _at_rows(decays: Array) -> Array:
    """Return the level of partials at the row centres over that in the middle, (4, K, P)."""
    half = np.exp(decays * (COLUMNS / 2))
    more = half * half * half
    return np.array([more, half, 1 / half, 1 / more])
