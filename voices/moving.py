"""Voices whose pitch or spectrum moves, a stretch of the grid at a time.

A moving partial is ``Re a(r, c)·z^c`` around the centre of row r: the phase at every row centre
is exact, z turns at the mean frequency of the stretch, and what the true frequency and level
differ from it inside a row is a linear term, ``a(r, c) = a_r + b_r·c``. So a row is a product of
inner length 4P. (With a constant frequency over 128 frames a vibrato of ±50 cents at 6 Hz would
leave sidebands of -48 dBc at 4.4 kHz; the linear term leaves less than -90.)

Shapes: ``K`` moving voices, ``P`` partials, ``R`` rows of ``C`` columns in a stretch.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from voices.motion import Stretch
from voices.rows import Rows
from voices.spectrum import Spectrum
from voices.tables import FADE_START, below_nyquist

COLUMNS = 16
_CENTRE = (COLUMNS - 1) / 2
_OFFSETS = (np.arange(COLUMNS) - _CENTRE).astype(np.float32)
_TURN = np.float32(2 * np.pi)
_ALL = np.ones((1, 1))


class Movers(NamedTuple):
    """K voices at the start of a stretch."""

    phase: NDArray[np.float64]
    """Shape (K,): cycles of the key's frequency since the onset."""
    age: NDArray[np.float64]
    """Shape (K,): frames since the onset."""
    frequency: NDArray[np.float64]
    """Shape (K,): cycles per frame of the key, not bent."""
    ratios: NDArray[np.float64]
    """Shape (K, P)."""
    phases: NDArray[np.float64]
    """Shape (K, P): cycles at the onset."""
    levels: NDArray[np.float64]
    """Shape (K, P): at the onset."""
    decays: NDArray[np.float64]
    """Shape (K, P): nepers per frame."""
    fading: bool
    """Whether any decay is not 0."""


def advance(
    frequency: NDArray[np.float64],
    frames: NDArray[Any] | float,
    pitch_begin: NDArray[np.float64],
    slope: NDArray[np.float64],
) -> NDArray[Any]:
    """Return the cycles turned in ``frames`` frames from where the pitch is ``pitch_begin``."""
    return frequency * frames * (pitch_begin + slope * frames / 2)


def move(
    rows: Rows,
    movers: NDArray[np.intp],
    kept: int,
    frame: int,
    stretches: Sequence[Stretch],
    spectrum: Spectrum,
    wave: NDArray[np.float32],
) -> None:
    """Render the voices in motion into their rows of ``wave`` (V, T), ``kept`` partials each."""
    rows.stale[movers] = True
    channels = rows.channel[movers]
    frequency, onset = rows.frequency[movers], rows.onset[movers]
    phase = rows.phase_at(movers, frame, rows.turning[movers])
    parts = np.s_[:kept]
    ratios, phases = rows.ratios[movers, parts], rows.phases[movers, parts]
    levels, decays = rows.levels[movers, parts], rows.decays[movers, parts]
    octaves, numbers = rows.octaves[movers, parts], rows.numbers[movers, parts]
    fading = bool(decays.any())
    turns = ratios * frequency[:, None]
    for stretch in stretches:
        offset, length = stretch.offset, stretch.frames
        pitches = stretch.pitch_begin[channels], stretch.pitch_end[channels]
        first, last = stretch.cut(*pitches)
        slope = (last - first) / length
        age = frame + offset - onset
        new = (age <= 0) & (age > -length)
        if new.any():
            phase[new] = -advance(frequency, -age, first, slope)[new]
        begin, end = (
            gains_at(spectrum, values[channels], octaves, numbers, turns * pitch[:, None])
            for values, pitch in zip((stretch.begin, stretch.end), pitches, strict=True)
        )
        gains = None
        if begin is not None or end is not None:
            gains = stretch.cut(_ALL if begin is None else begin, _ALL if end is None else end)
        wave[movers, offset : offset + length] = sounding(
            Movers(phase, age, frequency, ratios, phases, levels, decays, fading),
            length,
            (first, last, (pitches[0] + pitches[1]) / 2),
            gains,
        )
        phase = phase + advance(frequency, float(length), first, slope)
    rows.phase[movers], rows.since[movers] = phase, frame + sum(each.frames for each in stretches)


def gains_at(
    spectrum: Spectrum,
    values: NDArray[np.float64],
    octaves: NDArray[np.float64],
    numbers: NDArray[np.int16],
    turns: NDArray[np.float64],
) -> NDArray[np.float64] | None:
    """Return what channels and half the sample rate do to each partial, (K, P); None: nothing."""
    gains = spectrum.gains(values, octaves, numbers)
    if turns.max() > FADE_START:
        weight = below_nyquist(turns)
        return weight if gains is None else gains * weight
    return gains


def sounding(
    movers: Movers,
    frames: int,
    pitches: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
    gains: tuple[NDArray[np.float64], NDArray[np.float64]] | None,
) -> NDArray[np.float32]:
    """Return a stretch, shape (K, frames).

    ``pitches``, each of shape (K,), are the frequency ratios at its two ends and the one the
    columns turn at; ``gains``, each (K, P), what the channel does to each partial at its ends.
    """
    voices, partials = movers.ratios.shape
    rows = frames // COLUMNS
    pitch_begin, pitch_end, pitch_mean = pitches
    slope = (pitch_end - pitch_begin) / frames

    centres = np.arange(rows) * COLUMNS + _CENTRE
    turned = movers.phase[:, None] + advance(
        movers.frequency[:, None], centres, pitch_begin[:, None], slope[:, None]
    )
    angle: NDArray[Any] = turned[:, :, None] * movers.ratios[:, None, :]
    angle += movers.phases[:, None, :]
    angle -= np.rint(angle)
    turn = angle.astype(np.float32)
    turn *= _TURN
    sine, cosine = np.sin(turn), np.cos(turn)

    levels = movers.levels
    growth: NDArray[np.float32] | None = None
    if movers.fading:
        levels = levels * np.exp(-movers.decays * movers.age[:, None])
    if gains is None:
        amplitude = levels.astype(np.float32)[:, None, :]
    else:
        gain_begin, gain_end = gains
        gain_slope = (levels * (gain_end - gain_begin) / frames).astype(np.float32)[:, None, :]
        amplitude = gain_slope * centres.astype(np.float32)[:, None]
        amplitude += (levels * gain_begin).astype(np.float32)[:, None, :]
        growth = np.broadcast_to(gain_slope, amplitude.shape)
    if movers.fading:
        decays = movers.decays.astype(np.float32)[:, None, :]
        fall = np.exp(decays * -centres.astype(np.float32)[:, None])
        amplitude = amplitude * fall
        growth = -decays * amplitude + (0.0 if growth is None else growth * fall)
    drift = (pitch_begin - pitch_mean)[:, None] + slope[:, None] * centres
    drift *= (2 * np.pi) * movers.frequency[:, None]
    detune = drift.astype(np.float32)[:, :, None] * movers.ratios.astype(np.float32)[:, None, :]
    detune *= amplitude

    # A rising sine at phase 0: amplitude·sin(angle + spin), spin the angle from the row's centre.
    left = np.empty((voices, rows, 4, partials), np.float32)
    np.multiply(amplitude, sine, out=left[:, :, 0])
    np.multiply(amplitude, cosine, out=left[:, :, 1])
    np.multiply(detune, cosine, out=left[:, :, 2])
    detune *= sine
    np.negative(detune, out=left[:, :, 3])
    if growth is not None:
        left[:, :, 2] += growth * sine
        left[:, :, 3] += growth * cosine
    offsets = np.tile(_OFFSETS, (partials, 1)).ravel()
    pace = (2 * np.pi * movers.ratios * (movers.frequency * pitch_mean)[:, None]).astype(np.float32)
    spin = np.repeat(pace, COLUMNS, axis=1)
    spin *= offsets
    right = np.empty((voices, 4, partials * COLUMNS), np.float32)
    np.cos(spin, out=right[:, 0])
    np.sin(spin, out=right[:, 1])
    np.multiply(right[:, :2], offsets, out=right[:, 2:])
    rendered: NDArray[np.float32] = np.matmul(
        left.reshape(voices, rows, 4 * partials), right.reshape(voices, 4 * partials, COLUMNS)
    )
    return rendered.reshape(voices, frames)
