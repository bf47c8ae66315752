"""Ramps: the straight lines along which every smoothed value runs through one block."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Ramps(NamedTuple):
    """``S`` sub-blocks of equal length, each all or part of one control period.

    Over a control period (see `voices.modulation.smoother`) a value runs straight from ``begin``
    to ``end``. A block shorter than a period covers only part of it: the fractions ``first`` to
    ``last``, between 0 and 1.
    """

    sub_block_frames: int
    offset: int
    """The frame of its control period at which a sub-block starts."""
    odd: bool
    """Whether the first control period starts at an odd multiple of the period."""
    max_slope: float
    """No frequency ratio changes faster, per frame; infinite where that is not known."""
    shaped: bool
    """Whether any channel's partials have gains other than 1 ..."""
    reshaping: bool
    """... that change in this block."""
    spread: bool
    """Whether any channel's partials are spread ..."""
    turning: bool
    """... by other amounts at the end of this block than at its start."""
    spread_steps: Sequence[float]
    """In no control period does either amount change by more."""
    min_ratio: float
    """No frequency ratio is below this ..."""
    max_ratio: float
    """... or above this."""
    first: float
    last: float
    begin: NDArray[np.float64]
    """Shape (S, N, columns)."""
    end: NDArray[np.float64]
    path: NDArray[np.float64]
    """All of both, (S + 1, N, columns)."""
    pitch_ratio: NDArray[np.float64]
    """Frequency ratio at the ends of the control periods, vibrato included: (S + 1, N)."""

    def at_sub_block_ends(
        self, begin: NDArray[np.float64], end: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return values at both ends of each sub-block, given those at the ends of its period."""
        if self.first == 0.0 and self.last == 1.0:
            return begin, end
        change = end - begin
        return begin + change * self.first, begin + change * self.last
