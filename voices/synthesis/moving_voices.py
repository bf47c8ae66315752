"""Voices whose pitch or spectrum moves, all stretches of a block at once.

From block to block a voice carries the cycles it has turned, in double precision; where its
partials are at the middle of every cell follows from that, and `voices.synthesis.chirps` draws
them.

Shapes: ``K`` moving voices, ``S`` stretches, each all of a cell of the grid or a part of it, ``P``
partials, rows of 16 columns, four in a cell.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD
from voices.synthesis.chirps import CENTRES, COLUMNS, MIDDLE, ROOM, Chirps, Levels
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.phase_trajectory import course
from voices.synthesis.phasor_tables import FADE_START, below_nyquist
from voices.synthesis.voice_arrays import VoiceArrays

Array = NDArray[Any]
Which = slice | NDArray[np.intp]


def move(
    cells: Chirps,
    rows: VoiceArrays,
    movers: NDArray[np.intp],
    kept: int,
    frame: int,
    passage: Ramps,
    spectrum: PartialGains,
    wave: NDArray[np.float32],
) -> None:
    """Render the voices in motion into their rows of ``wave`` (V, T), ``kept`` partials each."""
    frames, inside, count = passage.sub_block_frames, passage.offset, len(passage.pitch_ratio) - 1
    skipped, height = inside // COLUMNS, frames // COLUMNS
    for which in _groups(movers, len(wave), max(1, ROOM // (count * kept))):
        channels = rows.channel[which]
        points = passage.pitch_ratio.take(channels, 1)  # (S + 1, K)
        frequency = rows.frequency[which]
        begun = _begun(rows, which, frame, passage, points)
        end, turns, drift = course(passage, points, frequency, begun)
        starts = rows.starts[which, :kept]
        if passage.shaped and not passage.reshaping:
            starts = starts * _held(rows, which, kept, passage, spectrum, channels)
        gains = _gains(rows, which, kept, passage, spectrum, points, channels)
        levels = _levels(rows, which, kept, frame, passage, gains)
        each = turns[:, :, None] * rows.ratios[which, :kept]
        drawn = cells.draw(each, starts, rows.pace[which, :kept], drift, levels)
        used = drawn[skipped : skipped + height].transpose(3, 2, 1, 0, 4)
        wave.reshape(len(wave), *used.shape[1:])[which] = used
        rows.phase[which], rows.since[which] = end, frame + wave.shape[1]
        rows.stale[which] = True


def _groups(movers: NDArray[np.intp], voices: int, most: int) -> Iterator[Which]:
    """Yield so many voices in motion at a time; slices, which cost less, where all of them are."""
    for first in range(0, len(movers), most):
        part = slice(first, min(first + most, len(movers)))
        yield part if len(movers) == voices else movers[part]


def _begun(rows: VoiceArrays, which: Which, frame: int, passage: Ramps, points: Array) -> Array:
    """Return the cycles that each voice's key has turned since its onset, as the block begins."""
    if all(rows.stale[which].tolist()):
        phase: Array = rows.phase[which].copy()
    else:  # some rested until now
        phase = rows.phase_at(which, frame, rows.turning[which])
    if rows.newest >= frame:  # a new voice has phase 0 at its onset
        into = rows.onset[which] - frame
        for voice in (into >= 0).nonzero()[0]:
            stretch, rest = divmod(int(into[voice]), passage.sub_block_frames)
            path = points[:, voice]
            slope = np.diff(path) / CONTROL_PERIOD
            first = path[:-1] + slope * passage.offset
            turned = (
                passage.sub_block_frames
                * (first + slope * (passage.sub_block_frames / 2))[:stretch].sum()
            )
            turned += rest * (first[stretch] + slope[stretch] * (rest / 2))
            phase[voice] = -rows.frequency[which][voice] * turned
    return phase


def _held(
    rows: VoiceArrays,
    which: Which,
    kept: int,
    passage: Ramps,
    spectrum: PartialGains,
    channels: NDArray[np.intp],
) -> NDArray[np.complex64] | float:
    """Return what the channels do to each partial, (K, P), while none of that moves."""
    values = passage.begin[0][channels]
    gains = spectrum.gains(values, rows.octaves[which, :kept], rows.numbers[which, :kept])
    return 1.0 if gains is None else gains.astype(np.complex64)


def _gains(
    rows: VoiceArrays,
    which: Which,
    kept: int,
    passage: Ramps,
    spectrum: PartialGains,
    points: Array,
    channels: NDArray[np.intp],
) -> tuple[Array, Array] | None:
    """Return what moves the level of each partial, but for its decay, (S, K, P), at both ends.

    Channels that are on their way, and half the sample rate. None: nothing.
    """
    high = rows.highest * passage.max_ratio > FADE_START
    if not (passage.reshaping or high):
        return None
    octaves, numbers = rows.octaves[which, :kept], rows.numbers[which, :kept]
    turns = rows.ratios[which, :kept] * rows.frequency[which][:, None]
    ends = []
    for values, pitch in ((passage.begin, points[:-1]), (passage.end, points[1:])):
        gains = None
        if passage.reshaping:
            gains = spectrum.gains(values[:, channels], octaves, numbers)
        if high:
            weight = below_nyquist(turns * pitch[:, :, None])
            gains = weight if gains is None else gains * weight
        ends.append(gains)
    begin, end = ends
    if begin is None and end is None:
        return None  # other voices' are on their way
    shape = (*points[1:].shape, kept)
    return passage.at_sub_block_ends(
        np.ones(shape) if begin is None else begin, np.ones(shape) if end is None else end
    )


def _levels(
    rows: VoiceArrays,
    which: Which,
    kept: int,
    frame: int,
    passage: Ramps,
    gains: tuple[Array, Array] | None,
) -> Levels | None:
    """Return the factor of every partial's level at the centre of every row, and its growth.

    None: always 1.
    """
    if gains is None and not rows.fading:
        return None
    # As if every stretch were a whole cell: what is not of it is not used.
    to_middle = MIDDLE - passage.offset
    if gains is not None:
        begin, end = gains
        slope = (end - begin) / passage.sub_block_frames
        level = begin + slope * (CENTRES + to_middle)[:, None, None, None]
        if not rows.fading:
            return level.astype(np.complex64), slope[None].astype(np.complex64)
    decays = rows.decays[which, :kept]
    starts = frame + to_middle + np.arange(len(passage.pitch_ratio) - 1) * passage.sub_block_frames
    fall = np.exp(-decays * (starts[:, None] - rows.onset[which])[..., None])
    fall = _over_rows(decays)[:, None] * fall
    if gains is None:
        return fall.astype(np.complex64), (-decays * fall).astype(np.complex64)
    grows = (slope - decays * level) * fall
    return (level * fall).astype(np.complex64), grows.astype(np.complex64)


def _over_rows(decays: Array) -> Array:
    """Return what is left of partials at the rows' centres of what is there in the middle."""
    half = np.exp(decays * (COLUMNS / 2))
    more = half * half * half
    return np.array([more, half, 1 / half, 1 / more])
