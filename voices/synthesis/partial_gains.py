"""What a channel's controls do to the partials: a tilt over all, and single ones.

Units: dB per octave, dB; gains linear.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voices.modulation.smoother import FIRST_LEVEL, TILT

OVERTONES, EVEN = -1, -2
"""What stands for all partials above the key, and for the even harmonics."""

_DB = np.log(10.0) / 20.0


class PartialGains:
    """The gains of partials."""

    def __init__(self) -> None:
        self.level_columns: Sequence[int] = ()
        """What each level column of `Smoother` is for: a partial (from 1), OVERTONES or EVEN."""

    def gains(
        self,
        values: NDArray[np.float64],
        octaves: NDArray[np.float64],
        numbers: NDArray[np.float64],
    ) -> NDArray[np.float64] | None:
        """Return the gain of each partial, shape (..., K, P), or None when all are 1.

        ``values``, shape (..., K, columns), are each voice's channel's in `Smoother`; ``octaves``,
        shape (K, P), say how far each partial lies above the key, ``numbers`` which one it is.
        """
        if not values[..., TILT:].any():
            return None
        level: NDArray[np.float64] = values[..., TILT, None] * octaves
        for column, number in enumerate(self.level_columns, FIRST_LEVEL):
            if values[..., column].any():
                level += _belonging(number, numbers, octaves) * values[..., column, None]
        return np.asarray(np.exp(level * _DB))


def _belonging(
    number: int, numbers: NDArray[np.float64], octaves: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return which partials a bound number means."""
    if number == OVERTONES:
        return np.asarray(octaves > 0)
    if number == EVEN:
        halves = np.exp2(octaves - 1)
        return np.asarray(np.abs(halves - np.rint(halves)) < 0.01)
    return np.asarray(numbers == number)
