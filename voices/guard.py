"""The guard: no sample leaves above the ceiling, and below it nothing is touched.

A gain line without delay: where a cell of the grid would pass the ceiling, the gain falls in a
straight line until the first frame that would, and afterwards returns to 1 exponentially. What a
line that steep still lets through is clipped. Cells are absolute, so the result does not depend
on the block size. As long as nothing reaches the ceiling the block is left as it is, bit for bit.

Units: linear levels. Shapes: ``T`` frames, stereo (T, 2).
"""

from math import exp

import numpy as np
from numpy.typing import NDArray

CELL = 32
"""Frames."""
RETURN_S = 0.2
"""Time constant with which the gain returns to 1."""


class Guard:
    """One ceiling and the gain it needs at the moment."""

    def __init__(self, ceiling: float, sample_rate: int) -> None:
        self.ceiling = ceiling
        self.gain = 1.0
        self._return = 1.0 - exp(-CELL / (RETURN_S * sample_rate))

    def limit(self, out: NDArray[np.float32]) -> tuple[float, float]:
        """Keep a block below the ceiling, in place, and return its peaks. Real-time safe."""
        peaks = peak(out[:, 0]), peak(out[:, 1])
        if self.gain == 1.0 and max(peaks) <= self.ceiling:
            return peaks
        line = np.empty(len(out), np.float32)
        loud = np.abs(out).max(axis=1)
        for start in range(0, len(out), CELL):
            cell = slice(start, start + CELL)
            self._draw(line[cell], loud[cell])
        out *= line[:, None]
        np.clip(out, -self.ceiling, self.ceiling, out=out)
        return peak(out[:, 0]), peak(out[:, 1])

    def _draw(self, line: NDArray[np.float32], loud: NDArray[np.float32]) -> None:
        """Draw the gain over one cell, whose frames are as loud as ``loud``."""
        begin = self.gain
        highest = float(loud.max())
        if highest * begin > self.ceiling:
            self.gain = self.ceiling / highest
            fall = int(np.argmax(loud * begin > self.ceiling)) + 1
            line[:fall] = np.linspace(begin, self.gain, fall + 1, dtype=np.float32)[1:]
            line[fall:] = self.gain
            return
        allowed = self.ceiling / highest if highest > self.ceiling else 1.0
        self.gain = min(allowed, begin + (1.0 - begin) * self._return)
        if self.gain > 0.9999:
            self.gain = 1.0
        line[:] = np.linspace(begin, self.gain, len(line) + 1, dtype=np.float32)[1:]


def peak(side: NDArray[np.float32]) -> float:
    """Return the largest magnitude of one side of a block (argmax costs a third of max)."""
    return max(float(side[side.argmax()]), -float(side[side.argmin()]))
