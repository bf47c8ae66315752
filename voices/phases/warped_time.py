"""A warped time: the integral of a frequency ratio that runs straight over every control period.

Where a sound is read that was drawn at one pitch, to be heard at another that moves.

Units: frames. Shapes: ``S`` control periods, of which a block covers all or part, ``T`` frames.
"""

from collections.abc import Iterator, Sequence
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD

Array = NDArray[Any]


def runs(fits: list[bool]) -> Iterator[tuple[int, int]]:
    """Yield where those that follow each other begin, and end."""
    changes = enumerate(pairwise([False, *fits, False]))
    places = [place for place, (before, now) in changes if before != now]
    yield from zip(places[::2], places[1::2], strict=True)


def places_along(path: Sequence[float], ramps: Ramps) -> tuple[Array, float]:
    """Return how far a warped time has gone at the frames of periods with these ratios, and in all.

    The ratios are those at the control points.
    """
    frames, gone = ramps.sub_block_frames, 0.0
    lines = []
    for begin, end in pairwise(path):
        slope = (end - begin) / CONTROL_PERIOD
        pace = begin + slope * ramps.offset
        lines.append((gone, pace, slope / 2))
        gone += frames * (pace + slope * (frames / 2))
    return np.array(lines).reshape(-1, 3).dot(_times(frames)).reshape(-1), gone


@cache
def _times(frames: int) -> Array:
    times = np.arange(frames, dtype=np.float64)
    return np.stack([np.ones(frames), times, times**2])
