"""Measuring tools for sounds: what the ear goes by, read off stereo recordings at 48 kHz.

Units: hertz, seconds, decibels. Shapes: a recording is (N, 2); an envelope is (N,).
"""

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tests.support.measure import Levels, Samples, k_weighted, momentary
from tests.support.playing import RATE

ERB_BANDS = range(2, 40)
"""Bands of the ear's filters, by their number on the ERB scale: 55 Hz to 15.6 kHz."""


def part(audio: Samples, begin_s: float, end_s: float) -> Samples:
    """Return what lies between two times."""
    return audio[round(begin_s * RATE) : round(end_s * RATE)]


def power(audio: Samples) -> float:
    """Return the mean square, both sides together."""
    return float(np.square(audio, dtype=np.float64).sum() / len(audio))


def power_db(audio: Samples, beside: Samples) -> float:
    """Return the power of a recording beside that of another, in dB."""
    return float(10.0 * np.log10(max(power(audio), 1e-30) / power(beside)))


def correlation(left: Samples, right: Samples) -> float:
    """Return the correlation of two signals: 1 where they are alike."""
    one, other = left.astype(np.float64), right.astype(np.float64)
    power = float(one @ one) * float(other @ other)
    return float(one @ other / np.sqrt(max(power, 1e-30)))


def passed(audio: Samples, kind: str, corner_hz: float, order: int = 4) -> Levels:
    """Return a recording through a Butterworth filter, ``low`` or ``high``."""
    sections = signal.butter(order, corner_hz, kind, fs=RATE, output="sos")
    return np.asarray(signal.sosfilt(sections, audio.astype(np.float64), axis=0))


def loudness(audio: Samples) -> float:
    """Return the maximum momentary loudness, in LUFS, of what begins at once."""
    return float(momentary(np.concatenate([np.zeros((RATE // 2, 2)), audio])).max())


def steady_loudness(audio: Samples) -> float:
    """Return the loudness, in LUFS, of what is held, from half a second on."""
    weighted = k_weighted(audio)
    return -0.691 + 10.0 * float(np.log10(2.0 * np.square(part(weighted, 0.5, 60.0)).mean()))


def spectrum(audio: Samples, least_frames: int = 1) -> tuple[Levels, Levels]:
    """Return frequencies and amplitudes of both sides together, Hann window."""
    size = 1 << (max(len(audio), least_frames) - 1).bit_length()
    windowed = audio.astype(np.float64) * np.hanning(len(audio))[:, None]
    sides = np.abs(np.fft.rfft(windowed, size, axis=0))
    hertz = np.asarray(np.arange(len(sides)) * (RATE / size), np.float64)
    return hertz, np.asarray(np.sqrt(np.square(sides).sum(axis=1)), np.float64)


def a_weighted_db(audio: Samples) -> float:
    """Return the A-weighted level in dB (IEC 61672-1, formula), weighted in the spectrum."""
    hertz, amplitudes = spectrum(audio)
    square = np.square(hertz)
    weight = 12194.0**2 * square**2 / (square + 20.6**2)
    weight /= np.sqrt((square + 107.7**2) * (square + 737.9**2)) * (square + 12194.0**2)
    return float(10.0 * np.log10(np.square(amplitudes * weight).sum())) + 2.0


def centroid(audio: Samples) -> float:
    """Return the mean frequency, weighted by amplitude."""
    hertz, amplitudes = spectrum(audio, 16_384)
    return float((hertz * amplitudes).sum() / amplitudes.sum())


def envelope(audio: Samples, hertz: float, width_hz: float) -> Levels:
    """Return the envelope of one partial, both sides together.

    Hann low-pass of length 2 / width on the partial turned down to 0 Hz: a rise of 29.5 ms is read
    as 31 ms at a width of 88 Hz (computed).
    """
    frames = np.arange(len(audio))
    turn = np.exp(-2j * np.pi * hertz / RATE * frames)
    smooth = np.hanning(round(2 * RATE / width_hz))
    smooth /= smooth.sum()
    sides = [signal.fftconvolve(audio[:, side] * turn, smooth, "same") for side in (0, 1)]
    return np.asarray(2.0 * np.sqrt(np.square(np.abs(sides)).sum(axis=0)))


def rise_s(levels: Samples, steady: Samples) -> float:
    """Return the 10 to 90 % time of an envelope that becomes steady."""
    whole = float(steady.mean())
    return float(np.argmax(levels > 0.9 * whole) - np.argmax(levels > 0.1 * whole)) / RATE


def beat(levels: Samples) -> tuple[float, float]:
    """Return rate in hertz and depth in dB, peak to peak, of an envelope that beats."""
    thinned = levels[:: RATE // 1000]
    shape = (thinned - thinned.mean()) * np.hanning(len(thinned))
    lines = np.abs(np.fft.rfft(shape, 1 << 17))
    lines[: int(0.15 * 131.072)] = 0.0
    rate = float(np.argmax(lines)) * 1000.0 / (1 << 17)
    return rate, float(20.0 * np.log10(thinned.max() / thinned.min()))


def fall_db_s(levels: Samples, begin_s: float, end_s: float) -> float:
    """Return how fast an envelope falls between two times, in dB a second."""
    some = part(levels, begin_s, end_s)[:: RATE // 1000]
    decibels = 20.0 * np.log10(np.maximum(some, 1e-12))
    return float(-np.polyfit(np.arange(len(some)) / 1000.0, decibels, 1)[0])


def erb_levels(audio: Samples) -> NDArray[np.float64]:
    """Return the level in each of `ERB_BANDS`, in dB.

    Source: B. R. Glasberg and B. C. J. Moore, Hearing Research 47 (1990): 21.4·log10(1 + 0.00437f).
    """
    hertz, amplitudes = spectrum(audio)
    bands = (21.4 * np.log10(1.0 + 0.00437 * hertz)).astype(int)
    powers = np.bincount(bands, np.square(amplitudes), minlength=ERB_BANDS.stop)
    return np.asarray(10.0 * np.log10(powers[ERB_BANDS.start : ERB_BANDS.stop] + 1e-30))
