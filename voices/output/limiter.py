"""The limiter: no sample leaves above the ceiling, and below it nothing is changed.

It has no delay: where a cell of 32 frames would pass the ceiling, the gain falls in a straight
line to the first frame that would, and afterwards recovers towards 1 exponentially. What a line
that steep still lets through is clipped. Cells are absolute, so the result does not depend on the
block length. As long as nothing reaches the ceiling the block stays as it is, bit for bit. A block
that is not finite is silence.

Units: linear levels. Shapes: ``T`` frames, left and right (2, T).
"""

from math import exp, isfinite

import numpy as np
from numpy.typing import NDArray

CELL = 32
"""Frames; the shortest block."""
RECOVERY_S = 0.2
"""Time constant with which the gain returns to 1."""
_STEPS = np.arange(1, CELL + 1, dtype=np.float32)


class Limiter:
    """One ceiling and the gain that keeps to it."""

    def __init__(self, ceiling: float, sample_rate: int, frames: int) -> None:
        self.ceiling = ceiling
        self.gain = 1.0
        """At the end of the last block."""
        self._recovery = 1.0 - exp(-CELL / (RECOVERY_S * sample_rate))
        self._magnitude = np.zeros((2, frames), np.float32)

    def limit(self, stereo: NDArray[np.float32]) -> tuple[float, float]:
        """Keep a block below the ceiling, in place, and return its peaks. Real-time safe."""
        peaks = self._peaks(stereo)
        if not isfinite(peaks[0] + peaks[1]):
            stereo.fill(0.0)
            return 0.0, 0.0
        if self.gain == 1.0 and peaks[0] <= self.ceiling and peaks[1] <= self.ceiling:
            return peaks
        loudest = self._magnitude.max(axis=0)
        gains = np.empty(len(loudest), np.float32)
        for start in range(0, len(loudest), CELL):
            cell = slice(start, start + CELL)
            self._follow(gains[cell], loudest[cell])
        stereo *= gains
        np.clip(stereo, -self.ceiling, self.ceiling, out=stereo)
        return self._peaks(stereo)

    def _peaks(self, stereo: NDArray[np.float32]) -> tuple[float, float]:
        """Return the largest magnitude of each side (argmax costs a third of max)."""
        magnitude = self._magnitude
        np.abs(stereo, out=magnitude)
        left, right = magnitude.argmax(1).tolist()
        return magnitude.item(0, left), magnitude.item(1, right)

    def _follow(self, gains: NDArray[np.float32], loudest: NDArray[np.float32]) -> None:
        """Write the gains of one cell, whose frames have the magnitudes ``loudest``."""
        begin = self.gain
        highest = float(loudest.max())
        if highest * begin > self.ceiling:
            self.gain = self.ceiling / highest
            fall = int(np.argmax(loudest * begin > self.ceiling)) + 1
            _ramp(gains[:fall], begin, self.gain)
            gains[fall:] = self.gain
            return
        allowed = self.ceiling / highest if highest > self.ceiling else 1.0
        self.gain = min(allowed, begin + (1.0 - begin) * self._recovery)
        if self.gain > 0.9999:
            self.gain = 1.0
        _ramp(gains, begin, self.gain)


def _ramp(gains: NDArray[np.float32], before: float, end: float) -> None:
    """Write a straight line from the gain ``before`` the first frame to ``end`` at the last."""
    np.multiply(_STEPS[: len(gains)], (end - before) / len(gains), out=gains)
    gains += before
