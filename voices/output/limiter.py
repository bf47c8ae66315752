"""The guard: no sample leaves above the ceiling, and below it nothing is touched.

A gain line without delay: where a cell of the grid would pass the ceiling, the gain falls in a
straight line until the first frame that would, and afterwards returns to 1 exponentially. What a
line that steep still lets through is clipped. Cells are absolute, so the result does not depend
on the block size. As long as nothing reaches the ceiling the block is left as it is, bit for bit.

Units: linear levels. Shapes: ``T`` frames, left and right (2, T).
"""

from math import exp

import numpy as np
from numpy.typing import NDArray

CELL = 32
"""Frames."""
_STEPS = np.arange(1, CELL + 1, dtype=np.float32)
RETURN_S = 0.2
"""Time constant with which the gain returns to 1."""


class Limiter:
    """One ceiling and the gain it needs at the moment."""

    def __init__(self, ceiling: float, sample_rate: int, frames: int) -> None:
        self.ceiling = ceiling
        self.gain = 1.0
        self._return = 1.0 - exp(-CELL / (RETURN_S * sample_rate))
        self._magnitude = np.zeros((2, frames), np.float32)

    def limit(self, sides: NDArray[np.float32]) -> tuple[float, float]:
        """Keep a block below the ceiling, in place, and return its peaks. Real-time safe."""
        peaks = self._peaks(sides)
        if self.gain == 1.0 and peaks[0] <= self.ceiling and peaks[1] <= self.ceiling:
            return peaks
        loud = self._magnitude.max(axis=0)
        line = np.empty(len(loud), np.float32)
        for start in range(0, len(loud), CELL):
            cell = slice(start, start + CELL)
            self._draw(line[cell], loud[cell])
        sides *= line
        np.clip(sides, -self.ceiling, self.ceiling, out=sides)
        return self._peaks(sides)

    def _peaks(self, sides: NDArray[np.float32]) -> tuple[float, float]:
        """Return the largest magnitude of each side (argmax costs a third of max)."""
        magnitude = self._magnitude
        np.abs(sides, out=magnitude)
        left, right = magnitude.argmax(1).tolist()
        return magnitude.item(0, left), magnitude.item(1, right)

    def _draw(self, line: NDArray[np.float32], loud: NDArray[np.float32]) -> None:
        """Draw the gain over one cell, whose frames are as loud as ``loud``."""
        begin = self.gain
        highest = float(loud.max())
        if highest * begin > self.ceiling:
            self.gain = self.ceiling / highest
            fall = int(np.argmax(loud * begin > self.ceiling)) + 1
            _ramp(line[:fall], begin, self.gain)
            line[fall:] = self.gain
            return
        allowed = self.ceiling / highest if highest > self.ceiling else 1.0
        self.gain = min(allowed, begin + (1.0 - begin) * self._return)
        if self.gain > 0.9999:
            self.gain = 1.0
        _ramp(line, begin, self.gain)


def _ramp(line: NDArray[np.float32], begin: float, end: float) -> None:
    """Draw a straight line from what was before to ``end``, which its last frame has."""
    np.multiply(_STEPS[: len(line)], (end - begin) / len(line), out=line)
    line += begin
