"""Pitch paths: the frequency ratio of every row at the control points of a block.

Units: frames, cents; pitches as frequency ratios. Shapes: ``N`` rows, few of which move; ``S``
control periods in a block.
"""

from collections.abc import Iterable, Sequence
from math import pi, sin

import numpy as np
from numpy.typing import NDArray

from voices.modulation.vibrato_lfo import VibratoLfo


class PitchPaths:
    """The ratios of one block after the other; those of resting rows stay where they are."""

    def __init__(self, lfo: VibratoLfo) -> None:
        self._lfo = lfo
        self._centre = np.zeros(0)
        self._range = (1.0, 1.0)
        """Of the resting rows."""
        self.ratios = np.zeros((0, 0))
        """Frequency ratios at the control points, vibrato included: (S + 1, N)."""
        self.lowest = self.highest = 1.0
        """No ratio leaves these."""
        self.max_slope = 0.0
        """No ratio changes faster, per frame."""
        self._last_point = -1

    @property
    def restless(self) -> bool:
        """Whether the paths of the next block may differ from those of this one."""
        return self.max_slope > 0.0 or not len(self.ratios)

    def rest(self, cents: NDArray[np.float64]) -> None:
        """Let all rows rest at these pitches, (N,); those that move are told by `follow`."""
        self._centre = np.exp2(cents / 1200.0)
        self._range = float(self._centre.min()), float(self._centre.max())
        self.ratios = self.ratios[:0]

    def follow(
        self,
        path: NDArray[np.float64],
        moving: Iterable[int],
        points: Sequence[int],
    ) -> None:
        """Work out the ratios of the moving rows at control points, at frames ``points``.

        ``path``: the cents, and the depth of the vibrato, of all rows there, (S + 1, N, 2).
        """
        known = points[0] == self._last_point
        if self.ratios.shape != path.shape[:2]:
            self.ratios, known = np.empty(path.shape[:2]), False
            self.ratios[:] = self._centre
        elif known:
            self.ratios[0] = self.ratios[-1]
        self._last_point = points[-1]
        ratios, steepest = self.ratios, 0.0
        lowest, highest = self._range
        for row in moving:
            pace, phase, since = self._lfo.turning[row]
            before = 0.0
            for place, point in enumerate(points):
                if known and place == 0:
                    ratio = ratios.item(0, row)
                else:
                    cents, depth = path.item(place, row, 0), path.item(place, row, 1)
                    if depth:
                        cents += depth * sin(2 * pi * ((phase + pace * (point - since)) % 1.0))
                    ratios[place, row] = ratio = 2.0 ** (cents / 1200.0)
                    if place and abs(ratio - before) > steepest:
                        steepest = abs(ratio - before)
                if ratio < lowest:
                    lowest = ratio
                if ratio > highest:
                    highest = ratio
                before = ratio
        self.lowest, self.highest = lowest, highest
        self.max_slope = steepest / (points[1] - points[0])
