"""Measuring tools: what the tests read off rendered audio.

Units: frames per second, hertz, decibels; a level is a peak amplitude, 1.0 is full scale.
Shapes: one channel is ``(N,)``, a recording is ``(N, channels)``.

Every tool is itself measured in ``test_measure.py``, against published values.
"""

from collections.abc import Iterable
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Samples = NDArray[np.floating[Any]]
Levels = NDArray[np.float64]

# ITU-R BS.1770-4, Tables 1 and 2: the two filters at 48 kHz (from memory; together they give the
# +0.691 dB at 997 Hz that the standard's own -0.691 dB takes back).
SHELF = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285),
    (1.0, -1.69065929318241, 0.73248077421585),
)
HIGH_PASS = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))
LOUDNESS_RATE = 48_000


@lru_cache(maxsize=8)
def window(kind: str | tuple[str, float], frames: int, *, periodic: bool = False) -> Levels:
    """Return a window of scipy's by its name, and its parameter if it has one."""
    return np.asarray(signal.get_window(kind, frames, fftbins=periodic), np.float64)


def db(ratio: float) -> float:
    """Return an amplitude ratio in dB; silence is -400."""
    return float(20.0 * np.log10(max(float(ratio), 1e-20)))


def peak(audio: Samples) -> float:
    """Return the largest magnitude of any sample."""
    return float(np.abs(audio).max(initial=0.0))


def rms(audio: Samples) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(np.square(audio, dtype=np.float64))))


def crest_db(audio: Samples) -> float:
    """Return peak over RMS."""
    return db(peak(audio) / rms(audio))


def cents(frequency: float, reference: float) -> float:
    """Return an interval in cents."""
    return float(1200.0 * np.log2(frequency / reference))


def pitch(audio: Samples, rate: int, near: float, within_cents: float = 400.0) -> float:
    """Return the frequency of the strongest partial around ``near``.

    A parabola through the logarithms of the three highest bins of a Blackman-windowed spectrum,
    padded with zeros to four times its length.
    """
    size = 4 * (1 << (len(audio) - 1).bit_length())
    spectrum = np.abs(np.fft.rfft(audio * window("blackman", len(audio)), size))
    reach = 2.0 ** (within_cents / 1200.0)
    low, high = (int(near * factor * size / rate) for factor in (1.0 / reach, reach))
    top = low + int(spectrum[low : high + 1].argmax())
    before, middle, after = np.log(spectrum[top - 1 : top + 2])
    return float((top + (before - after) / (2 * (before - 2 * middle + after))) * rate / size)


def partial(audio: Samples, rate: int, frequency: float) -> complex:
    """Return level and phase of the partial at a known frequency.

    The modulus is its peak amplitude, the angle its phase at the first sample as a cosine.
    Flat-top window: partials have to lie ten periods of the recording's length apart.
    """
    flat_top = window("flattop", len(audio), periodic=True)
    turn = np.exp(-2j * np.pi * frequency / rate * np.arange(len(audio)))
    return complex(2.0 * ((audio * flat_top) @ turn) / flat_top.sum())


def partial_level(audio: Samples, rate: int, frequency: float) -> float:
    """Return the peak amplitude of the partial at a known frequency."""
    return abs(partial(audio, rate, frequency))


def band_energy(audio: Samples, rate: int, low: float, high: float) -> float:
    """Return the share of a band in the whole energy of a sound that begins and ends in silence."""
    energy = np.abs(np.fft.rfft(audio.astype(np.float64))) ** 2
    frequencies = np.arange(len(energy)) * rate / len(audio)
    inside = (frequencies >= low) & (frequencies < high)
    return float(energy[inside].sum() / energy.sum())


def residue_db(audio: Samples, rate: int, frequencies: Iterable[float]) -> float:
    """Return everything but the partials at known frequencies, relative to them, in dB.

    Kaiser window of beta 28: side lobes below -200 dB, main lobe of nine bins each way.
    """
    power = np.abs(np.fft.rfft(audio * window(("kaiser", 28.0), len(audio)))) ** 2
    belongs = np.zeros(len(power), bool)
    for frequency in frequencies:
        centre = round(frequency * len(audio) / rate)
        belongs[max(centre - 11, 0) : centre + 12] = True
    # Noise under the main lobes is taken to be as dense as beside them.
    rest = power[~belongs].sum() * len(power) / max((~belongs).sum(), 1)
    return float(10.0 * np.log10(max(rest, 1e-300) / power[belongs].sum()))


def slope_db_s(levels: Levels, rate: float, top_db: float, bottom_db: float) -> float:
    """Return the slope in dB/s of a falling level, fitted from ``top_db`` to ``bottom_db``.

    Both are relative to the first level.
    """
    decibels = 20.0 * np.log10(np.maximum(levels, 1e-20) / levels[0])
    begin = int(np.argmax(decibels <= top_db))
    end = int(np.argmax(decibels <= bottom_db))
    seconds = np.arange(begin, end) / rate
    return float(np.polyfit(seconds, decibels[begin:end], 1)[0])


def t60(levels: Levels, rate: float, top_db: float = -1.0, bottom_db: float = -60.0) -> float:
    """Return the time in which a falling level falls by 60 dB, from the fitted slope."""
    return -60.0 / slope_db_s(levels, rate, top_db, bottom_db)


def onset(audio: Samples, threshold_db: float = -50.0) -> int:
    """Return the first frame above a threshold relative to the peak."""
    magnitudes = np.abs(audio)
    return int(np.argmax(magnitudes > magnitudes.max() * 10.0 ** (threshold_db / 20.0)))


def k_weighted(audio: Samples) -> Levels:
    """Return a recording at 48 kHz, weighted as the ear hears loudness (BS.1770-4)."""
    weighted = signal.lfilter(*SHELF, audio.astype(np.float64), axis=0)
    return np.asarray(signal.lfilter(*HIGH_PASS, weighted, axis=0), np.float64)


def window_loudness(audio: Samples, window_s: float, step_s: float) -> Levels:
    """Return the loudness in LUFS of every window of a recording at 48 kHz, all gains 1."""
    recording = audio[:, None] if audio.ndim == 1 else audio
    power = np.square(k_weighted(recording)).sum(axis=1)
    total = np.concatenate([[0.0], np.cumsum(power)])
    length, step = round(window_s * LOUDNESS_RATE), round(step_s * LOUDNESS_RATE)
    starts = np.arange(0, len(total) - length, step)
    mean = (total[starts + length] - total[starts]) / length
    return np.asarray(-0.691 + 10.0 * np.log10(np.maximum(mean, 1e-30)), np.float64)


def momentary(audio: Samples, step_s: float = 0.01) -> Levels:
    """Return the momentary loudness: windows of 400 ms."""
    return window_loudness(audio, 0.4, step_s)


def integrated(audio: Samples) -> float:
    """Return the gated loudness of a whole recording: 400 ms, 75 % overlap, -70 LUFS, -10 LU."""
    blocks = window_loudness(audio, 0.4, 0.1)
    heard = blocks[blocks > -70.0]
    relative = _mean_loudness(heard) - 10.0
    return _mean_loudness(heard[heard > relative])


def _mean_loudness(blocks: Levels) -> float:
    return float(10.0 * np.log10(np.mean(10.0 ** (blocks / 10.0))))


def true_peak(audio: Samples) -> float:
    """Return the largest magnitude between the samples too: four-fold oversampled."""
    return peak(signal.resample_poly(audio, 4, 1, axis=0, window=("kaiser", 9.0)))
