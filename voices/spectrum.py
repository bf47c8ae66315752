"""What a channel's controls do to the partials: a tilt over all, and single ones.

Units: dB per octave, dB; gains linear.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voices.motion import FIRST_PARTIAL, TILT

_DB = np.log(10.0) / 20.0


class Spectrum:
    """The gains of partials; ``bound`` are the numbers, from 1, of those with their own control."""

    def __init__(self) -> None:
        self.bound: Sequence[int] = ()

    def gains(
        self,
        values: NDArray[np.float64],
        octaves: NDArray[np.float64],
        numbers: NDArray[np.float64],
    ) -> NDArray[np.float64] | None:
        """Return the gain of each partial, shape (..., K, P), or None when all are 1.

        ``values``, shape (..., K, columns), are each voice's channel's in `Motion`; ``octaves``,
        shape (K, P), say how far each partial lies above the key, ``numbers`` which one it is.
        """
        if not values[..., TILT:].any():
            return None
        level: NDArray[np.float64] = values[..., TILT, None] * octaves
        for column, number in enumerate(self.bound, FIRST_PARTIAL):
            level += (numbers == number) * values[..., column, None]
        return np.asarray(np.exp(level * _DB))
