"""Level over time and frequency, for the eye.

Units: hertz, dB relative to a full-scale sine; frames. Shapes: audio is ``(N, 2)``; a spectrogram
is ``(rows, columns)``, the lowest frequency in row 0.
"""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

WINDOW = 8192
"""Frames: at 48 kHz 5.9 Hz a bin, enough to separate semitones from C3 up."""
_FLOOR = 1e-12


def spectrogram(
    audio: NDArray[np.float32],
    sample_rate: int,
    *,
    rows: int,
    columns: int,
    low_hz: float,
    high_hz: float,
) -> NDArray[np.float64]:
    """Return levels in dB on a logarithmic frequency grid, both channels mixed."""
    mixed = np.pad(audio.mean(axis=1), (WINDOW // 2, WINDOW))
    window = np.hanning(WINDOW).astype(np.float32)
    gain = 2.0 / window.sum()
    starts = np.linspace(0, max(len(audio) - 1, 0), columns).astype(int)
    edges = np.geomspace(low_hz, high_hz, rows + 1) * WINDOW / sample_rate
    lower = np.minimum(edges[:-1], WINDOW / 2 - 1)
    inside = np.minimum(edges.astype(int), WINDOW // 2)
    wide = np.diff(inside) > 1
    levels = np.empty((rows, columns))
    for column, start in enumerate(starts):
        power = np.abs(np.fft.rfft(mixed[start : start + WINDOW] * window)) * gain
        # A row between two bins is interpolated; one over several bins shows the loudest.
        here = np.interp(lower + np.diff(edges) / 2, np.arange(len(power)), power)
        loudest = np.maximum.reduceat(power, inside[:-1])
        levels[:, column] = np.where(wide, loudest, here)
    return 20.0 * np.log10(np.maximum(levels, _FLOOR))


def frequency_range(audio: NDArray[np.float32], sample_rate: int) -> tuple[float, float]:
    """Return the range of an axis for all that is heard: its mean power is above -45 dB."""
    power = np.zeros(WINDOW // 2 + 1)
    window = np.hanning(WINDOW).astype(np.float32)
    mixed = audio.mean(axis=1)
    for start in range(0, len(mixed) - WINDOW, WINDOW // 2):
        power += np.abs(np.fft.rfft(mixed[start : start + WINDOW] * window)) ** 2
    heard = np.flatnonzero(power > power.max() * 10 ** (-45 / 10))
    if not len(heard):
        return 60.0, 16_000.0
    low, high = np.maximum(heard[[0, -1]], 2) * sample_rate / WINDOW
    return float(low / 1.2), float(min(max(1.2 * high, 8 * low), sample_rate / 2))


def level_lines(
    audio: NDArray[np.float32], columns: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return peak and root-mean-square level in dBFS of each of ``columns`` stretches."""
    edges = np.linspace(0, len(audio), columns + 1).astype(int)
    peaks, means = np.zeros(columns), np.zeros(columns)
    for column, (start, end) in enumerate(pairwise(edges)):
        part = audio[start : max(end, start + 1)]
        if len(part):
            peaks[column] = np.abs(part).max()
            means[column] = np.sqrt(np.mean(np.square(part, dtype=np.float64)))
    return 20.0 * np.log10(np.maximum(peaks, 1e-9)), 20.0 * np.log10(np.maximum(means, 1e-9))
