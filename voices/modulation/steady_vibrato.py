"""Calm: while nothing glides, vibrato is all that moves, and each channel's pitch has a formula.

Units: frames, cycles, cents; pitches as frequency ratios. Shapes: ``N`` channels, of which ``I``
swing; ``S`` cells of the grid in a block.
"""

from collections.abc import Sequence
from math import pi, sin

import numpy as np
from numpy.typing import NDArray


class SteadyVibrato:
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
        self._known, self._last = -1, self._still
        """The last point that was asked for, and every channel's pitch there."""
        which = depth.nonzero()[0]
        hertz, turned, since = swung[:, which]
        pace = hertz / sample_rate
        values = (pace, turned - pace * since, depth[which] / 1200.0, self._still[which])
        self._swings = list(zip(which.tolist(), *(each.tolist() for each in values), strict=True))
        """Of each that swings: cycles a frame, cycles at frame 0, depth in octaves, its middle."""
        self.highest = float(self._still.max() * np.exp2(depth.max() / 1200.0))
        """No pitch goes above it."""
        self.changes = max(
            (2 * pi * pace * octaves for _, pace, _, octaves, _ in self._swings), default=0.0
        )
        """No pitch changes faster, in octaves a frame."""

    def pitch(self, points: Sequence[int]) -> NDArray[np.float64]:
        """Return every channel's pitch at points of the grid: shape (S + 1, N)."""
        pitch = np.empty((len(points), len(self._still)))
        pitch[...] = self._still
        first = 0
        if points[0] == self._known:  # where the block before ended
            pitch[0], first = self._last, 1
        # They are few: number by number costs less than operations on small arrays.
        for channel, pace, turned, depth, middle in self._swings:
            for row in range(first, len(points)):
                swing = sin(2 * pi * ((points[row] * pace + turned) % 1.0))
                pitch[row, channel] = middle * 2.0 ** (depth * swing)
        self._known, self._last = points[-1], pitch[-1]
        return pitch
