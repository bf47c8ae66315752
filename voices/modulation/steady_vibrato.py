"""Steady vibrato: while no control glides, every row's pitch has a closed form.

Units: frames, cycles, cents; pitches as frequency ratios. Shapes: ``N`` rows, of which few have
vibrato; ``S`` control periods in a block.
"""

from collections.abc import Sequence
from math import log, pi, sin

import numpy as np
from numpy.typing import NDArray


class SteadyVibrato:
    """The pitch of rows that have reached their targets.

    Parameters
    ----------
    cents, depth
        Each row's pitch and vibrato depth in cents, shape (N,).
    lfo_state
        Rate in hertz, phase in cycles, and the frame of that phase; shape (3, N).
    moving
        Which rows' voices are rendered as moving, shape (N,).
    shaped
        Whether any row's partials have gains other than 1.
    spread
        Whether any row's partials are spread.
    until
        The frame until which all this holds.
    """

    def __init__(
        self,
        cents: NDArray[np.float64],
        depth: NDArray[np.float64],
        lfo_state: NDArray[np.float64],
        sample_rate: int,
        *,
        moving: NDArray[np.bool_],
        shaped: bool,
        spread: bool,
        until: float,
    ) -> None:
        self.moving = moving
        self.shaped = shaped
        self.spread = spread
        self.until = until
        self._centre: NDArray[np.float64] = np.exp2(cents / 1200.0)
        self._last_point, self._last_ratios = -1, self._centre
        """The last point asked for, and every row's ratio there."""
        rows = depth.nonzero()[0]
        rate_hz, phase, since = lfo_state[:, rows]
        step = rate_hz / sample_rate
        values = (step, phase - step * since, depth[rows] / 1200.0, self._centre[rows])
        self._swings = list(zip(rows.tolist(), *(each.tolist() for each in values), strict=True))
        """Row, cycles per frame, phase at frame 0, depth in octaves and centre of each vibrato."""
        deepest = 2.0 ** (float(depth.max()) / 1200.0)
        self.range_of_ratios = (
            float(self._centre.min()) / deepest,
            float(self._centre.max()) * deepest,
        )
        """No frequency ratio leaves it."""
        self.max_slope = self.range_of_ratios[1] * max(
            (2 * pi * step * octaves * log(2.0) for _, step, _, octaves, _ in self._swings),
            default=0.0,
        )
        """No frequency ratio changes faster, per frame."""

    def pitch_ratios(self, points: Sequence[int]) -> NDArray[np.float64]:
        """Return every row's frequency ratio at control points (frames): shape (S + 1, N)."""
        ratios = np.empty((len(points), len(self._centre)))
        ratios[...] = self._centre
        first = 0
        if points[0] == self._last_point:  # where the block before ended
            ratios[0], first = self._last_ratios, 1
        # They are few: number by number costs less than operations on small arrays.
        for row, step, phase, octaves, centre in self._swings:
            for place in range(first, len(points)):
                swing = sin(2 * pi * ((points[place] * step + phase) % 1.0))
                ratios[place, row] = centre * 2.0 ** (octaves * swing)
        self._last_point, self._last_ratios = points[-1], ratios[-1]
        return ratios
