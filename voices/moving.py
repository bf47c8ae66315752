"""Voices whose pitch or spectrum moves, all stretches of a block at once.

From block to block a voice carries the cycles it has turned, in double precision; where its
partials are at the middle of every cell follows from that, and `voices.cells` draws them.

Shapes: ``K`` moving voices, ``S`` stretches, each all of a cell of the grid or a part of it, ``P``
partials, rows of 16 columns, four in a cell.
"""

from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.cells import CENTRES, COLUMNS, MIDDLE, ROOM, Cells, Levels
from voices.motion import GRID, Passage
from voices.rows import Rows
from voices.spectrum import Spectrum
from voices.tables import FADE_START, below_nyquist

_ALL = np.ones((1, 1, 1))

Array = NDArray[Any]
Which = slice | NDArray[np.intp]


def move(
    cells: Cells,
    rows: Rows,
    movers: NDArray[np.intp],
    kept: int,
    frame: int,
    passage: Passage,
    spectrum: Spectrum,
    wave: NDArray[np.float32],
) -> None:
    """Render the voices in motion into their rows of ``wave`` (V, T), ``kept`` partials each."""
    frames, inside, count = passage.frames, passage.inside, len(passage.pitch) - 1
    skipped, height = inside // COLUMNS, frames // COLUMNS
    parts = wave.reshape(len(wave), -1, height, COLUMNS)
    for which in _groups(movers, len(wave), max(1, ROOM // (count * kept))):
        channels = rows.channel[which]
        frequency, ratios = rows.frequency[which], rows.ratios[which, :kept]
        points = passage.pitch.take(channels, 1)  # (S + 1, K)
        lines = _lines(count, frames, inside) @ points
        middle, slope = lines[count + 1 : -count], lines[-count:]
        cycles = lines[: count + 1] * frequency
        cycles += _begun(rows, which, frame, passage, points)
        gains = _gains(rows, which, kept, passage, spectrum, points, channels)
        levels = _levels(rows, which, kept, frame, passage, gains)
        angle = cycles[:-1, :, None] * ratios
        angle -= np.rint(angle)
        angle *= 2 * np.pi
        starts, pace = rows.starts[which, :kept], rows.pace[which, :kept]
        drawn = cells.draw(angle, starts, pace, middle, slope, levels)
        parts[which] = drawn[skipped : skipped + height].transpose(2, 1, 0, 3)
        rows.phase[which], rows.since[which] = cycles[-1], frame + wave.shape[1]
        rows.stale[which] = True


def _groups(movers: NDArray[np.intp], voices: int, most: int) -> Iterator[Which]:
    """Yield so many voices in motion at a time; slices, which cost less, where all of them are."""
    for first in range(0, len(movers), most):
        part = slice(first, min(first + most, len(movers)))
        yield part if len(movers) == voices else movers[part]


@cache
def _lines(count: int, frames: int, inside: int) -> Array:
    """Return what the pitch at the ends of S cells is multiplied by, (3S + 1, S + 1).

    The products are, for each cell, the key's turns from the block's start to the cell's middle
    over its frequency; the same for the block's end; the pitch in the middle of each cell; and
    how it changes a frame. In a cell the pitch runs straight from end to end.
    """
    begin, end = np.eye(count + 1)[:-1], np.eye(count + 1)[1:]
    slope = (end - begin) / GRID
    first = begin + slope * inside
    stretches = frames * (first + slope * (frames / 2))
    until = np.cumsum(np.concatenate([np.zeros((1, count + 1)), stretches]), axis=0)
    to_middle = MIDDLE - inside
    middles = until[:-1] + to_middle * (first + slope * (to_middle / 2))
    return np.concatenate([middles, until[-1:], begin + slope * MIDDLE, slope])


def _begun(rows: Rows, which: Which, frame: int, passage: Passage, points: Array) -> Array:
    """Return the cycles that each voice's key has turned since its onset, as the block begins."""
    if rows.stale[which].all():
        phase: Array = rows.phase[which].copy()
    else:  # some rested until now
        phase = rows.phase_at(which, frame, rows.turning[which])
    if rows.newest >= frame:  # a new voice has phase 0 at its onset
        into = rows.onset[which] - frame
        for voice in (into >= 0).nonzero()[0]:
            stretch, rest = divmod(int(into[voice]), passage.frames)
            path = points[:, voice]
            slope = np.diff(path) / GRID
            first = path[:-1] + slope * passage.inside
            turned = passage.frames * (first + slope * (passage.frames / 2))[:stretch].sum()
            turned += rest * (first[stretch] + slope[stretch] * (rest / 2))
            phase[voice] = -rows.frequency[which][voice] * turned
    return phase


def _gains(
    rows: Rows,
    which: Which,
    kept: int,
    passage: Passage,
    spectrum: Spectrum,
    points: Array,
    channels: NDArray[np.intp],
) -> tuple[Array, Array] | None:
    """Return what channels and half the sample rate do to each partial, (S, K, P), at both ends.

    None: nothing.
    """
    high = rows.highest * passage.highest > FADE_START
    if not (passage.shaping or high):
        return None
    octaves, numbers = rows.octaves[which, :kept], rows.numbers[which, :kept]
    turns = rows.ratios[which, :kept] * rows.frequency[which][:, None]
    ends = []
    for values, pitch in ((passage.begin, points[:-1]), (passage.end, points[1:])):
        gains = spectrum.gains(values[:, channels], octaves, numbers)
        if high:
            weight = below_nyquist(turns * pitch[:, :, None])
            gains = weight if gains is None else gains * weight
        ends.append(gains)
    begin, end = ends
    return passage.cut(_ALL if begin is None else begin, _ALL if end is None else end)


def _levels(
    rows: Rows,
    which: Which,
    kept: int,
    frame: int,
    passage: Passage,
    gains: tuple[Array, Array] | None,
) -> Levels | None:
    """Return the factor of every partial's level at the centre of every row, and its growth.

    None: always 1.
    """
    if gains is None and not rows.fading:
        return None
    frames, count = passage.frames, (len(passage.pitch) - 1)
    decays = rows.decays[which, :kept]
    # As if every stretch were a whole cell: what is not of it is not used.
    centres = (CENTRES + MIDDLE - passage.inside)[:, None, None, None]
    age = frame + np.arange(count)[:, None] * frames - rows.onset[which]  # (S, K)
    fall = np.exp(-decays * (age[..., None] + centres))
    if gains is None:
        return fall.astype(np.float32), (-decays * fall).astype(np.float32)
    begin, end = gains
    slope = (end - begin) / frames
    level = begin + slope * centres
    return (level * fall).astype(np.float32), ((slope - decays * level) * fall).astype(np.float32)
