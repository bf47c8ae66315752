"""Harmonic series: which partials are of one, and how stiffness takes them out of it.

Shapes: ``P`` partials.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

MOST = 2
"""Where there are more, none is looked for: ranks out of tune, stiff strings, bells."""
TOLERANCE = 1e-12
"""Relative, of a ratio: after an hour a partial of 4 kHz is out of phase by -80 dB."""
FULL_STRETCH = 0.0005


class Series(NamedTuple):
    """Some of the partials of a timbre."""

    fundamental: float
    """The ratio of its fundamental to the key."""
    partials: NDArray[np.intp]
    """Which they are ..."""
    numbers: NDArray[np.intp]
    """... and their numbers as harmonics, from 1, ..."""
    highest: int
    """... up to this."""


def series_of(
    ratios: NDArray[np.float64], numbers: NDArray[np.float64], partials: NDArray[np.intp]
) -> tuple[Series, ...]:
    """Return the series that some ``partials`` are of: one or two; none where they are of more.

    ``ratios`` are theirs to the key, ``numbers`` their places in the series of their rank, from 1.
    """
    found = list[Series]()
    while len(partials):
        if len(found) == MOST:
            return ()
        fundamental = float((ratios / numbers).min())
        multiples = ratios / fundamental
        whole = np.rint(multiples)
        those = np.abs(multiples - whole) <= TOLERANCE * multiples
        if not those.any():
            return ()
        harmonics = whole[those].astype(np.intp)
        found.append(Series(fundamental, partials[those], harmonics, int(harmonics.max())))
        ratios, numbers, partials = ratios[~those], numbers[~those], partials[~those]
    return tuple(found)


def stretched(numbers: NDArray[np.float64], stretch: Any) -> NDArray[np.float64]:
    """Return by what factor stiffness has partials, by their places in a series, higher."""
    return np.asarray(np.sqrt((1 + stretch * numbers * numbers) / (1 + stretch)))


def spreads_of(
    numbers: NDArray[np.float64], stretch: Any, wound: Any = 1.0, tuning: Any = 1.0
) -> NDArray[np.float64]:
    """Return by what part of its frequency stretch and detuning, at 1, take each partial, (2, P).

    A knob's stretch is exact at `FULL_STRETCH`, and straight up to there. ``wound`` is what a key
    makes of it, ``tuning`` the factors by which partials are out of tune.
    """
    further = stretched(numbers, np.minimum(0.1, stretch + FULL_STRETCH * wound))
    stiff = (further / stretched(numbers, stretch) - 1.0) / FULL_STRETCH
    return np.array([stiff, np.broadcast_to(1.0 - 1.0 / tuning, numbers.shape)])
