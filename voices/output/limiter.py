"""The limiter: no sample leaves above the ceiling, and below it nothing is changed.

It has no delay: where a cell of 32 frames would pass the ceiling, the gain falls in a straight
line to the first frame that would, and afterwards recovers towards 1 exponentially. A sample that a
rounding still takes above is clipped. Cells are absolute, so the result does not depend on the
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
JUST_BELOW = 1.0 - 2.0**-21
"""What the ceiling is multiplied by, so that no rounding takes a sample above it."""
ARRIVED = 0.9999
"""From here on the gain is 1."""
_STEPS = np.array([[1.0] * CELL, range(1, CELL + 1)], np.float32)
"""What a line is made of: its gain before the first frame, and the change per frame."""


class Limiter:
    """One ceiling and the gain that keeps to it."""

    def __init__(self, ceiling: float, sample_rate: int, frames: int) -> None:
        self.ceiling = ceiling
        self.gain = 1.0
        """At the end of the last block."""
        self._recovery = 1.0 - exp(-CELL / (RECOVERY_S * sample_rate))
        self._magnitude = np.zeros((2, frames), np.float32)
        self._left, self._right = self._magnitude
        self._loudest = np.zeros(frames, np.float32)
        self._cells = self._loudest.reshape(-1, CELL)

    def limit(self, stereo: NDArray[np.float32]) -> tuple[float, float]:
        """Keep a block below the ceiling, in place, and return its peaks. Real-time safe."""
        peaks = self._peaks(stereo)
        if not isfinite(peaks[0] + peaks[1]):
            stereo.fill(0.0)
            return 0.0, 0.0
        ceiling = self.ceiling
        if self.gain == 1.0 and peaks[0] <= ceiling and peaks[1] <= ceiling:
            return peaks
        stereo *= self._gains()
        peaks = self._peaks(stereo)
        if peaks[0] > ceiling or peaks[1] > ceiling:  # by a rounding, if at all
            ceiling = float(np.float32(ceiling))
            np.clip(stereo, -ceiling, ceiling, out=stereo)
            return min(peaks[0], ceiling), min(peaks[1], ceiling)
        return peaks

    def _peaks(self, stereo: NDArray[np.float32]) -> tuple[float, float]:
        """Return the largest magnitude of each side (argmax costs a third of max)."""
        magnitude = self._magnitude
        np.abs(stereo, out=magnitude)
        left, right = magnitude.argmax(1).tolist()
        return magnitude.item(0, left), magnitude.item(1, right)

    def _gains(self) -> NDArray[np.float32]:
        """Return the gain of every frame of a block whose peaks have been found, (T,)."""
        np.maximum(self._left, self._right, out=self._loudest)
        cells, ceiling = self._cells, self.ceiling * JUST_BELOW
        lines: list[float] = []
        fallen: list[tuple[int, int]] = []
        for cell, frame in enumerate(cells.argmax(1).tolist()):
            begin, highest, frames = self.gain, cells.item(cell, frame), CELL
            if highest * begin > self.ceiling:
                self.gain = ceiling / highest
                frames = int((cells[cell] > self.ceiling / begin).argmax()) + 1
                fallen.append((cell, frames))
            else:
                allowed = ceiling / highest if highest > ceiling else 1.0
                self.gain = min(allowed, begin + (1.0 - begin) * self._recovery)
                if self.gain > ARRIVED:
                    self.gain = 1.0
            lines += begin, (self.gain - begin) / frames
        gains: NDArray[np.float32] = np.array(lines, np.float32).reshape(-1, 2).dot(_STEPS)
        for cell, frames in fallen:
            gains[cell, frames:] = gains.item(cell, frames - 1)
        return gains.reshape(-1)
