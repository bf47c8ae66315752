"""Voices whose pitch or spectrum moves, all stretches of a block at once.

A moving partial is ``Re a(r, c)·z^c`` around the centre of row r: the phase at every row centre
is exact, z turns at the mean frequency of its cell of the grid, and what the true frequency and
level differ from it inside a row is a linear term, ``a(r, c) = a_r + b_r·c``. So a row is a
product of inner length 4P. (With a constant frequency over 128 frames a vibrato of ±50 cents at
6 Hz would leave sidebands of -48 dBc at 4.4 kHz; the linear term leaves less than -90.)

Shapes: ``K`` moving voices, ``S`` stretches, ``P`` partials, ``R`` rows of ``C`` columns in a
stretch.
"""

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.motion import Passage
from voices.rows import Rows
from voices.spectrum import Spectrum
from voices.tables import FADE_START, below_nyquist

COLUMNS = 16
_CENTRE = (COLUMNS - 1) / 2
_OFFSETS = (np.arange(COLUMNS) - _CENTRE).astype(np.float32)
_TURN = np.float32(2 * np.pi)
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
    rows.stale[movers] = True
    channels = rows.channel[movers]
    parts = np.s_[:kept]
    frequency, ratios = rows.frequency[movers], rows.ratios[movers, parts]
    cell = passage.pitch_begin[:, channels], passage.pitch_end[:, channels]  # (S, K)
    first, last = passage.cut(*cell)
    phase = _phases_at_starts(rows, movers, frame, frequency, passage.frames, first, last)
    turns = ratios * frequency[:, None]
    gains = _gains(rows, movers, parts, passage, spectrum, turns, cell)
    wave[movers] = _stretches(
        passage.frames,
        phase[:-1],
        rows.phases[movers, parts],
        ratios,
        turns,
        (first, last, (cell[0] + cell[1]) / 2),
        *_levels(rows, movers, parts, frame, passage.frames, gains, len(first)),
    )
    rows.phase[movers], rows.since[movers] = phase[-1], frame + wave.shape[1]


def _phases_at_starts(
    rows: Rows,
    movers: NDArray[np.intp],
    frame: int,
    frequency: Array,
    frames: int,
    first: Array,
    last: Array,
) -> Array:
    """Return the cycles turned since the onset, at every stretch's start and at the end."""
    phase = np.empty((len(first) + 1, len(movers)))
    phase[0] = 0.0
    np.cumsum(frequency * frames * (first + last) / 2, axis=0, out=phase[1:])
    begun = rows.phase_at(movers, frame, rows.turning[movers])
    into = rows.onset[movers] - frame
    for voice in np.flatnonzero(into >= 0):  # a new voice has phase 0 at its onset
        stretch, inside = divmod(int(into[voice]), frames)
        start, end = first[stretch, voice], last[stretch, voice]
        pitch = start + (end - start) / frames * inside / 2
        begun[voice] = -phase[stretch, voice] - frequency[voice] * inside * pitch
    phase += begun
    return phase


def _gains(
    rows: Rows,
    movers: NDArray[np.intp],
    parts: slice,
    passage: Passage,
    spectrum: Spectrum,
    turns: Array,
    cell: tuple[Array, Array],
) -> tuple[Array, Array] | None:
    """Return what channels and half the sample rate do to each partial, (S, K, P), at both ends.

    None: nothing.
    """
    channels, numbers = rows.channel[movers], rows.numbers[movers, parts]
    octaves = rows.octaves[movers, parts]
    high = turns.max() * max(pitch.max() for pitch in cell) > FADE_START
    ends = []
    for values, pitch in zip((passage.begin, passage.end), cell, strict=True):
        gains = spectrum.gains(values[:, channels], octaves, numbers)
        if high:
            weight = below_nyquist(turns * pitch[:, :, None])
            gains = weight if gains is None else gains * weight
        ends.append(gains)
    begin, end = ends
    if begin is None and end is None:
        return None
    return passage.cut(_ALL if begin is None else begin, _ALL if end is None else end)


def _levels(
    rows: Rows,
    movers: NDArray[np.intp],
    parts: slice,
    frame: int,
    frames: int,
    gains: tuple[Array, Array] | None,
    stretches: int,
) -> tuple[Array, Array | None]:
    """Return every partial's level at the centre of every row, and its growth per frame.

    Shapes that broadcast to (S, K, R, P); growth None is none.
    """
    levels, decays = rows.levels[movers, parts], rows.decays[movers, parts]
    fading = decays.any()
    centres = (np.arange(0, frames, COLUMNS) + _CENTRE).astype(np.float32)[:, None]
    growth: Array | None = None
    if fading:
        age = frame + np.arange(stretches)[:, None] * frames - rows.onset[movers]
        levels = levels * np.exp(-decays * age[:, :, None])
    if gains is None:
        amplitude = levels.astype(np.float32)[..., None, :]
    else:
        begin, end = gains
        growth = (levels * (end - begin) / frames).astype(np.float32)[..., None, :]
        amplitude = growth * centres
        amplitude += (levels * begin).astype(np.float32)[..., None, :]
    if fading:
        narrow = decays.astype(np.float32)[:, None, :]
        fall = np.exp(-narrow * centres)
        amplitude = amplitude * fall
        growth = -narrow * amplitude + (0.0 if growth is None else growth * fall)
    return amplitude, growth


def _stretches(
    frames: int,
    phase: Array,
    phases: Array,
    ratios: Array,
    turns: Array,
    pitches: tuple[Array, Array, Array],
    amplitude: Array,
    growth: Array | None,
) -> NDArray[np.float32]:
    """Return the sound of K voices over S stretches, shape (K, S·frames)."""
    first, last, mean = pitches
    count, voices, partials = len(first), *ratios.shape
    height = frames // COLUMNS
    frequency = turns[:, :1] / ratios[:, :1]
    centres = np.arange(0, frames, COLUMNS) + _CENTRE
    slope = (last - first)[:, :, None] / frames
    turned = phase[:, :, None] + frequency * centres * (first[:, :, None] + slope * (centres / 2))
    angle: Array = turned[..., None] * ratios[:, None, :]
    angle += phases[:, None, :]
    angle -= np.rint(angle)
    turn = angle.astype(np.float32)
    turn *= _TURN
    sine, cosine = np.sin(turn), np.cos(turn)

    # A rising sine at phase 0: amplitude·sin(angle + spin), spin the angle from the row's centre.
    pace = (2 * np.pi * turns).astype(np.float32)
    drift = (first - mean)[:, :, None] + slope * centres
    detune = drift.astype(np.float32)[..., None] * pace[:, None, :]
    detune *= amplitude
    left = np.empty((count, voices, height, 4, partials), np.float32)
    np.multiply(amplitude, sine, out=left[..., 0, :])
    np.multiply(amplitude, cosine, out=left[..., 1, :])
    np.multiply(detune, cosine, out=left[..., 2, :])
    detune *= sine
    np.negative(detune, out=left[..., 3, :])
    if growth is not None:
        left[..., 2, :] += growth * sine
        left[..., 3, :] += growth * cosine
    offsets = _offsets(partials)
    spin = np.repeat(pace * mean.astype(np.float32)[:, :, None], COLUMNS, axis=2)
    spin *= offsets
    right = np.empty((count, voices, 4, partials * COLUMNS), np.float32)
    np.cos(spin, out=right[:, :, 0])
    np.sin(spin, out=right[:, :, 1])
    np.multiply(right[:, :, :2], offsets, out=right[:, :, 2:])
    rendered: NDArray[np.float32] = np.matmul(
        left.reshape(count, voices, height, 4 * partials),
        right.reshape(count, voices, 4 * partials, COLUMNS),
    )
    return rendered.reshape(count, voices, frames).transpose(1, 0, 2).reshape(voices, -1)


@cache
def _offsets(partials: int) -> NDArray[np.float32]:
    """Return the columns' places from the row's centre, once for every partial."""
    return np.tile(_OFFSETS, partials)
