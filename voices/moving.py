"""Voices whose pitch or spectrum moves, all stretches of a block at once.

A moving partial is ``Re a·E_r·(1 + iκ·m_r·c)·z^c`` around the centre of row r: the phase of E_r is
exact at every row's centre, z turns at the frequency of the middle of its cell of the grid, and
what the true frequency differs from it inside a row is the linear term, κ being how much the
partial's pace changes a frame and m_r the row's distance from the middle. (With a constant
frequency over 128 frames a vibrato of ±50 cents at 6 Hz would leave sidebands of -48 dBc at
4.4 kHz; the linear term leaves less than -90.)

Sines are evaluated for the middle of a cell, half a frame's turn and the curve of the phase; the
rest are products of those. Around a row's centre what is even in c and what is odd are products
of inner length 2P over half a row each: their sum is one half, their difference the other.

Shapes: ``K`` moving voices, ``S`` stretches, ``P`` partials, ``R`` rows of 16 columns in a
stretch, four in a cell.
"""

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.motion import GRID, Passage
from voices.rows import Rows
from voices.spectrum import Spectrum
from voices.tables import FADE_START, below_nyquist

COLUMNS = 16
HALF = COLUMNS // 2
_MIDDLE = (GRID - 1) / 2
_PLACES = np.arange(0, GRID, COLUMNS) + (COLUMNS - 1) / 2 - _MIDDLE
"""The rows' centres from the middle of the cell: two pairs of opposites."""
_ALONG = -_PLACES.astype(np.float32)[:, None, None, None]
_CURVES = (_PLACES[2:] ** 2 / 2).astype(np.float32)[:, None, None, None]
_ALL = np.ones((1, 1, 1))

Array = NDArray[Any]


def move(
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
    which = slice(len(wave)) if all_move else movers
    rows.stale[which] = True
    channels = rows.channel[which]
    frames, inside = passage.frames, passage.inside
    begin = passage.pitch_begin.take(channels, 1)  # (S, K)
    end = passage.pitch_end.take(channels, 1)
    slope = (end - begin) / GRID
    frequency = rows.frequency[which]
    first = begin + slope * inside if inside else begin
    starts = _starts(rows, which, frame, frames, frequency, first, slope)
    to_middle = _MIDDLE - inside
    turned = starts[:-1] + frequency * to_middle * (first + slope * (to_middle / 2))
    ratios = rows.ratios[which, :kept]
    turns = ratios * frequency[:, None]
    gains = _gains(rows, which, kept, passage, spectrum, turns, (begin, end), channels)
    levels = _levels(rows, which, kept, frame, frames, gains, len(begin))
    spun = _spun(turned, ratios, rows.starts[which, :kept])
    height = frames // COLUMNS
    parts = wave.reshape(len(wave), -1, height, COLUMNS)
    drawn = parts if all_move else np.empty((len(movers), *parts.shape[1:]), np.float32)
    pitches = begin + slope * _MIDDLE, slope
    shape = (*spun.shape, height)
    if rows.scratch is None or rows.scratch.shape != shape:
        rows.scratch = Scratch(*shape)
    _draw(
        rows.scratch, spun, turns, pitches, inside // COLUMNS, levels, drawn.transpose(1, 0, 2, 3)
    )
    if not all_move:
        parts[movers] = drawn
    rows.phase[which], rows.since[which] = starts[-1], frame + wave.shape[1]


def _starts(
    rows: Rows,
    which: slice | NDArray[np.intp],
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
    which: slice | NDArray[np.intp],
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
    which: slice | NDArray[np.intp],
    kept: int,
    frame: int,
    frames: int,
    gains: tuple[Array, Array] | None,
    stretches: int,
) -> tuple[Array, Array] | None:
    """Return the factor of every partial's level at the centre of every row, and its growth.

    Shapes that broadcast to (R, S, K, P); growth is per frame. None: always 1.
    """
    if gains is None and not rows.fading:
        return None
    decays = rows.decays[which, :kept]
    centres = (np.arange(0, frames, COLUMNS) + (COLUMNS - 1) / 2)[:, None, None, None]
    age = frame + np.arange(stretches)[:, None] * frames - rows.onset[which]  # (S, K)
    fall = np.exp(-decays * (age[..., None] + centres))
    if gains is None:
        return fall.astype(np.float32), (-decays * fall).astype(np.float32)
    begin, end = gains
    slope = (end - begin) / frames
    level = begin + slope * centres
    return (level * fall).astype(np.float32), ((slope - decays * level) * fall).astype(np.float32)


def _spun(turned: Array, ratios: Array, starts: Array) -> NDArray[np.complex64]:
    """Return every partial at the middle of every cell, (S, K, P)."""
    angle = turned[..., None] * ratios
    angle -= np.rint(angle)
    angle *= 2 * np.pi
    spun = _turned(angle.astype(np.float32))
    spun *= starts
    return spun


def _turned(angle: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Return e^(i·angle)."""
    result = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=result.real)
    np.sin(angle, out=result.imag)
    return result


class Scratch:
    """The large arrays of one block of K voices over S stretches, and the views that are used.

    Made anew, they would cost as much in fresh pages as the sines in them.
    """

    def __init__(self, stretches: int, voices: int, partials: int, height: int) -> None:
        one = (stretches, voices, partials)
        self.shape = (*one, height)
        self.columns = np.empty((HALF, *one), np.complex64)
        self.flat_columns = self.columns.view(np.float32).reshape(HALF, -1)
        self.across = np.empty((2, *one), np.complex64)
        self.rows = np.empty((4, *one), np.complex64)
        self.above, self.below = self.rows[:2], self.rows[2:]
        left = np.empty((2, height, *one, 2), np.float32)
        (self.cosine, self.drifting), (self.drifting_back, self.sine) = (
            (half[..., 0], half[..., 1]) for half in left
        )
        self.right = np.empty((2, HALF, stretches * voices * partials * 2), np.float32)
        self.offsets = _offsets(self.right.shape[2])
        self.halves = np.empty((2, stretches, voices, height, HALF), np.float32)
        inner = (stretches, voices, 2 * partials)
        self.left_of = left.reshape(2, height, *inner).transpose(0, 2, 3, 1, 4)
        self.right_of = self.right.reshape(2, HALF, *inner).transpose(0, 2, 3, 4, 1)


def _draw(
    scratch: Scratch,
    spun: NDArray[np.complex64],
    turns: Array,
    pitches: tuple[Array, Array],
    skipped: int,
    levels: tuple[Array, Array] | None,
    out: NDArray[np.float32],
) -> None:
    """Write the sound of K voices over S stretches into ``out`` (S, K, R, 16).

    ``skipped`` rows of each cell come before the stretch.
    """
    middle, slope = pitches
    turns = (turns * (2 * np.pi)).astype(np.float32)
    half = _turned(turns * (middle / 2).astype(np.float32)[..., None])
    change = turns * slope.astype(np.float32)[..., None]  # κ

    # The columns' turns: odd powers of half a frame's.
    columns, across = scratch.columns, scratch.across
    columns[0] = half
    power = half * half
    done = 1
    while done < HALF:
        np.multiply(columns[:done], power, out=columns[done : 2 * done])
        power = power * power
        done *= 2
    # Now it turns by 8 frames, from the middle to the inner rows; the outer ones are at 24.
    across[0] = power
    np.multiply(power, power * power, out=across[1])
    curved = _turned(change * _CURVES)
    curved *= spun
    np.multiply(curved, across, out=scratch.below)
    np.conjugate(across, out=across)
    np.multiply(curved[::-1], across[::-1], out=scratch.above)
    height = out.shape[2]
    rows = scratch.rows[skipped : skipped + height]
    drift = change * _ALONG[skipped : skipped + height]

    real, imaginary = rows.real, rows.imag
    if levels is not None:
        real, imaginary = real * levels[0], imaginary * levels[0]
    scratch.cosine[...] = real
    np.multiply(real, drift, out=scratch.drifting)
    np.multiply(imaginary, drift, out=scratch.drifting_back)
    scratch.sine[...] = imaginary
    if levels is not None:
        scratch.drifting[...] -= rows.imag * levels[1]
        scratch.drifting_back[...] += rows.real * levels[1]
    np.multiply(scratch.flat_columns, scratch.offsets, out=scratch.right)
    even, odd = np.matmul(scratch.left_of, scratch.right_of, out=scratch.halves)
    np.add(even, odd, out=out[..., HALF:])
    np.subtract(even, odd, out=out[..., HALF - 1 :: -1])


@cache
def _offsets(width: int) -> NDArray[np.float32]:
    """Return what turns cosine and sine of every column into what the products ask for.

    Even: cosine, c·sine; odd: c·cosine, -sine. Shape (2, 8, width).
    """
    offsets = np.arange(HALF) + 0.5
    factors = np.empty((2, HALF, width // 2, 2), np.float32)
    factors[0, :, :, 0], factors[1, :, :, 1] = 1.0, -1.0
    factors[0, :, :, 1] = factors[1, :, :, 0] = offsets[:, None]
    return factors.reshape(2, HALF, width)
