"""Peaks of a spectrum: where the partials of a note are, to a fraction of a hertz.

Units: hertz, linear levels, frames. The window is the four-term one of F. J. Harris, Proc. IEEE
66 (1978), p. 51: side lobes below -92 dB.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LOBE_BINS = 4.0
"""From the middle of the window's main lobe to its edge."""
_TERMS = (0.35875, 0.48829, 0.14128, 0.01168)
_ABOVE_FLOOR_DB = 14.0
_BELOW_HIGHEST_DB = -78.0
_LENGTHS_S = (1.5, 0.5, 0.17)
"""Long windows tell neighbours apart, short ones find what dies quickly."""
_LOWEST_HZ = 18.0
_HIGHEST = 0.475
"""Of the sample rate."""


class Peak(NamedTuple):
    """One of them."""

    hz: float
    level: float


def window(frames: int) -> Array:
    """Return the window, its sum 1."""
    at = 2 * np.pi * (np.arange(frames) + 0.5) / frames
    shape = sum((-1) ** n * term * np.cos(n * at) for n, term in enumerate(_TERMS))
    return np.asarray(shape / np.sum(shape))


def response(bins: NDArray[Any]) -> NDArray[Any]:
    """Return what the window lets through, by distance in bins; complex ones stand for decays."""
    through = _TERMS[0] * np.sinc(bins)
    for n, term in enumerate(_TERMS[1:], 1):
        through = through + term / 2 * (np.sinc(bins - n) + np.sinc(bins + n))
    return np.asarray(through / _TERMS[0])


def find(samples: Array, rate: int) -> list[Peak]:
    """Return the peaks of a piece of sound by frequency, long windows first."""
    found: list[Peak] = []
    lengths = sorted({min(len(samples), round(each * rate)) for each in _LENGTHS_S}, reverse=True)
    for frames in lengths:
        apart = LOBE_BINS * rate / frames
        for peak in _loud(_peaks(samples[:frames], rate)):
            near = [n for n, other in enumerate(found) if abs(peak.hz - other.hz) <= apart]
            if not near:
                found.append(peak)
                continue
            # What dies quickly is weak in a long window.
            nearest = min(near, key=lambda n: abs(peak.hz - found[n].hz))
            found[nearest] = Peak(found[nearest].hz, max(peak.level, found[nearest].level))
    return sorted(_loud(found))


def _loud(peaks: list[Peak]) -> list[Peak]:
    highest = max((peak.level for peak in peaks), default=0.0)
    return [peak for peak in peaks if peak.level > highest * 10 ** (_BELOW_HIGHEST_DB / 20)]


def _peaks(samples: Array, rate: int) -> list[Peak]:
    frames = len(samples)
    size = 1 << int(np.ceil(np.log2(2 * frames)))
    spectrum = 2 * np.abs(np.fft.rfft(samples * window(frames), size))
    decibels = 20 * np.log10(np.maximum(spectrum, 1e-12))
    bin_hz = rate / size
    inner = decibels[1:-1]
    tops = np.flatnonzero((inner > decibels[:-2]) & (inner >= decibels[2:])) + 1
    tops = tops[(tops * bin_hz > _LOWEST_HZ) & (tops * bin_hz < _HIGHEST * rate)]
    floor = _floor(decibels, max(8, round(size / frames * 40)))
    tops = tops[decibels[tops] > floor[tops] + _ABOVE_FLOOR_DB]
    found = []
    for top in tops:
        below, middle, above = decibels[top - 1 : top + 2]
        bent = below - 2 * middle + above
        shift = 0.5 * (below - above) / bent if bent else 0.0
        level = 10 ** ((middle - 0.25 * (below - above) * shift) / 20)
        found.append(Peak((top + shift) * bin_hz, level))
    return found


def _floor(decibels: Array, half: int) -> Array:
    """Return the noise between the peaks: a low quantile of each neighbourhood."""
    step = max(1, half // 4)
    middles = np.arange(0, len(decibels), step)
    padded = np.pad(decibels, half, mode="reflect")
    low = [np.quantile(padded[at : at + 2 * half + 1], 0.4) for at in middles]
    return np.asarray(np.interp(np.arange(len(decibels)), middles, low))
