"""The pitch of a note: the frequency that its partials are multiples of, or nearly so.

Units: hertz, cents; keys are MIDI's, 69 is 440 Hz.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

KEY_A4, A4_HZ = 69, 440.0
_LOWEST_HZ, _HIGHEST_HZ = 20.0, 5000.0
_MOST = 24
_LATEST = 10
"""The pitch is that of a strong partial over a number up to this one."""
_CENTS = 18.0
_NEEDED = 0.62
"""If no frequency explains so much of what is heard, the lowest strong partial is the pitch."""
_STRONG_DB = -24.0
_WEIGHT = 0.7
"""A partial counts by this power of its level."""
_LACKING = 0.8


def pitch_of(partials: Sequence[tuple[float, float]]) -> float:
    """Return the pitch of partials, each a frequency and a level, in hertz."""
    # Of partials alike, the lower ones first.
    loudest = sorted(partials, key=lambda each: (-round(2 * np.log2(each[1])), each[0]))[:_MOST]
    hertz = np.array([each[0] for each in loudest])
    weights = np.array([each[1] for each in loudest]) ** _WEIGHT
    weights /= weights.sum()
    best, score, explained = 0.0, -1.0, 0.0
    for top in hertz[:8]:
        for number in range(1, _LATEST + 1):
            base = float(top) / number
            if _LOWEST_HZ <= base <= _HIGHEST_HZ:
                fits, lacks = _fit(base, hertz, weights)
                if fits - _LACKING * lacks > score + 0.01:
                    best, score, explained = base, fits - _LACKING * lacks, fits
    strong = hertz[weights >= weights.max() * 10 ** (_STRONG_DB * _WEIGHT / 20)]
    if explained < _NEEDED:
        return float(strong.min())
    near = np.abs(1200 * np.log2(hertz / best)) < 50.0
    return float(hertz[near][0]) if near.any() else best


def key_of(hz: float) -> int:
    """Return the key nearest to a frequency."""
    return int(np.clip(np.rint(KEY_A4 + 12 * np.log2(hz / A4_HZ)), 0, 127))


def key_hz(key: int) -> float:
    """Return the frequency of a key in equal temperament."""
    return float(A4_HZ * 2 ** ((key - KEY_A4) / 12))


def _fit(base: float, hertz: Array, weights: Array) -> tuple[float, float]:
    """Return how much of the partials a pitch explains, and how many of its lowest are lacking."""
    numbers = np.maximum(np.rint(hertz / base), 1)
    cents = 1200 * np.log2(hertz / (base * numbers))
    explained = float((weights * np.exp(-((cents / (_CENTS + 2.5 * numbers)) ** 2))).sum())
    due = int(min(numbers.max(), 8))
    there = len({int(n) for n in numbers if n <= due})
    return explained, 1 - there / due
