"""Voices whose pitch or spectrum moves, all stretches of a block at once.

From block to block a voice carries the cycles it has turned, in double precision; where its
partials are at the middle of every cell follows from that, and `voices.cells` draws them.

Shapes: ``K`` moving voices, ``S`` stretches, each all of a cell of the grid or a part of it, ``P``
partials, rows of 16 columns, four in a cell.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.cells import CENTRES, COLUMNS, MIDDLE, ROOM, Cells, Levels, turned
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
    all_move = len(movers) == len(wave)
    most = max(1, ROOM // (len(passage.pitch_begin) * kept))
    for first in range(0, len(movers), most):
        part = slice(first, min(first + most, len(movers)))
        which = part if all_move else movers[part]
        _move(cells, rows, which, kept, frame, passage, spectrum, wave)


def _move(
    cells: Cells,
    rows: Rows,
    which: Which,
    kept: int,
    frame: int,
    passage: Passage,
    spectrum: Spectrum,
    wave: NDArray[np.float32],
) -> None:
    rows.stale[which] = True
    channels = rows.channel[which]
    frames, inside = passage.frames, passage.inside
    begin = passage.pitch_begin.take(channels, 1)  # (S, K)
    end = passage.pitch_end.take(channels, 1)
    slope = (end - begin) / GRID
    frequency = rows.frequency[which]
    first = begin + slope * inside if inside else begin
    starts = _starts(rows, which, frame, frames, frequency, first, slope)
    to_middle = MIDDLE - inside
    cycles = starts[:-1] + frequency * to_middle * (first + slope * (to_middle / 2))
    ratios = rows.ratios[which, :kept]
    turns = ratios * frequency[:, None]
    gains = _gains(rows, which, kept, passage, spectrum, turns, (begin, end), channels)
    levels = _levels(rows, which, kept, frame, passage, gains)
    spun = _spun(cycles, ratios, rows.starts[which, :kept])
    drawn = cells.draw(spun, turns, begin + slope * MIDDLE, slope, levels)
    skipped, height = inside // COLUMNS, frames // COLUMNS
    parts = wave.reshape(len(wave), -1, height, COLUMNS)
    parts[which] = drawn[:, :, skipped : skipped + height].transpose(1, 0, 2, 3)
    rows.phase[which], rows.since[which] = starts[-1], frame + wave.shape[1]


def _starts(
    rows: Rows,
    which: Which,
    frame: int,
    frames: int,
    frequency: Array,
    first: Array,
    slope: Array,
) -> Array:
    """Return the cycles turned since the onset, at every stretch's start and at the end."""
    phase = np.empty((len(first) + 1, len(frequency)))
    phase[0] = rows.phase_at(which, frame, rows.turning[which])
    np.multiply(frequency * frames, first + slope * (frames / 2), out=phase[1:])
    if rows.newest >= frame:  # a new voice has phase 0 at its onset
        into = rows.onset[which] - frame
        for voice in (into >= 0).nonzero()[0]:
            stretch, inside = divmod(int(into[voice]), frames)
            pitch = first[stretch, voice] + slope[stretch, voice] * inside / 2
            before = phase[1 : stretch + 1, voice].sum() + frequency[voice] * inside * pitch
            phase[0, voice] = -before
    np.add.accumulate(phase, out=phase)
    return phase


def _gains(
    rows: Rows,
    which: Which,
    kept: int,
    passage: Passage,
    spectrum: Spectrum,
    turns: Array,
    cell: tuple[Array, Array],
    channels: NDArray[np.intp],
) -> tuple[Array, Array] | None:
    """Return what channels and half the sample rate do to each partial, (S, K, P), at both ends.

    None: nothing.
    """
    high = rows.highest * passage.highest > FADE_START
    if not (passage.shaping or high):
        return None
    octaves, numbers = rows.octaves[which, :kept], rows.numbers[which, :kept]
    ends = []
    for values, pitch in zip((passage.begin, passage.end), cell, strict=True):
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
    frames, count = passage.frames, len(passage.pitch_begin)
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


def _spun(cycles: Array, ratios: Array, starts: Array) -> NDArray[np.complex64]:
    """Return every partial at the middle of every cell, (S, K, P)."""
    angle = cycles[..., None] * ratios
    angle -= np.rint(angle)
    angle *= 2 * np.pi
    spun = turned(angle.astype(np.float32))
    spun *= starts
    return spun
