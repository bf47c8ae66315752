"""The interpolation of what is smooth over a piece of time, from few of its values.

Units: frames. Source: Chebyshev nodes keep the error of a polynomial through them near its least.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray


def chebyshev_nodes(frames: int, count: int) -> NDArray[np.float64]:
    """Return where so many Chebyshev nodes lie in a piece of time, in frames from its start."""
    return (frames - 1) / 2 * (1 - np.cos(np.pi * (np.arange(count) + 0.5) / count))


@cache
def lagrange(frames: int, count: int) -> NDArray[np.float64]:
    """Return the Lagrange polynomial of each of these nodes at every frame, (count, frames)."""
    lines, places = np.ones((count, frames)), chebyshev_nodes(frames, count)
    for place, node in enumerate(places):
        for other in np.delete(places, place):
            lines[place] *= (np.arange(frames) - other) / (node - other)
    return lines
