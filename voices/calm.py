"""Calm: while nothing glides, vibrato is all that moves, and each channel's pitch has a formula.

Units: frames, cycles, cents; pitches as frequency ratios. Shapes: ``N`` channels, of which ``I``
swing; ``S`` cells of the grid in a block.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray


class Calm:
    """The pitch of channels that have arrived where they were going.

    Parameters
    ----------
    cents, depth
        Each channel's pitch and how far its vibrato swings, shape (N,).
    swung
        Swings a second, and how far it was (cycles) at a frame; shape (3, N).
    turning
        Which channels' voices are to be rendered as moving, shape (N,).
    shaping
        Whether any channel's partials have gains of their own.
    until
        The frame until which that holds.
    """

    def __init__(
        self,
        cents: NDArray[np.float64],
        depth: NDArray[np.float64],
        swung: NDArray[np.float64],
        sample_rate: int,
        *,
        turning: NDArray[np.bool_],
        shaping: bool,
        until: float,
    ) -> None:
        self.turning = turning
        self.shaping = shaping
        self.until = until
        self._still: NDArray[np.float64] = np.exp2(cents / 1200.0)
        self._which = depth.nonzero()[0]
        hertz, turned, since = swung[:, self._which]
        self._pace = hertz / sample_rate
        self._turned = turned - self._pace * since
        self._depth = depth[self._which] / 1200.0
        self._middle = self._still[self._which]
        self.highest = float(self._still.max() * np.exp2(depth.max() / 1200.0))
        """No pitch goes above it."""

    def pitch(self, points: NDArray[Any]) -> NDArray[np.float64]:
        """Return every channel's pitch at points of the grid, (S + 1, 1): shape (S + 1, N)."""
        pitch = np.empty((len(points), len(self._still)))
        pitch[...] = self._still
        if len(self._which):
            swing = points * self._pace
            swing += self._turned
            swing %= 1.0
            swing *= 2 * np.pi
            np.sin(swing, out=swing)
            swing *= self._depth
            np.exp2(swing, out=swing)
            swing *= self._middle
            pitch[:, self._which] = swing
        return pitch
