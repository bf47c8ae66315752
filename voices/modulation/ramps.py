"""A passage: how every value of the channels runs through one block."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Ramps(NamedTuple):
    """S stretches of equal length, one a cell of the grid of `voices.modulation.smoother`.

    Over a cell a value runs straight from ``begin`` to ``end``; a stretch covers its cell from
    ``first`` to ``last``, both between 0 and 1 (a block of half a cell covers half of it).
    """

    frames: int
    """Of a stretch."""
    inside: int
    """The frame of its cell at which a stretch starts."""
    odd: bool
    """Whether the first cell starts at an odd point of the grid."""
    gentle: bool
    """Whether no pitch is steep; if not, one may be."""
    shaping: bool
    """Whether any channel's partials have gains of their own ..."""
    reshaping: bool
    """... that move."""
    highest: float
    """No pitch goes above this."""
    first: float
    last: float
    begin: NDArray[np.float64]
    """Shape (S, N, columns)."""
    end: NDArray[np.float64]
    pitch: NDArray[np.float64]
    """Shape (S + 1, N): frequency ratio at the ends of the cells, vibrato included."""

    def cut(
        self, begin: NDArray[np.float64], end: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the values at the ends of the stretches, given those at the ends of the cells."""
        if self.first == 0.0 and self.last == 1.0:
            return begin, end
        travel = end - begin
        return begin + travel * self.first, begin + travel * self.last
