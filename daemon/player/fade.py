"""Fades of the whole output: in on an unknown card, out before the player ends.

Units: seconds, frames.
Shapes: a block is ``(block_frames, 2)`` float32.
Threads: made anywhere; `Fade.apply` belongs to the audio callback, and is real-time safe.
"""

import math
from typing import Self

import numpy as np
from numpy.typing import NDArray


class Fade:
    """A gain curve over whole blocks; after its end the gain stays at its last value.

    Parameters
    ----------
    gains
        A gain for each frame of a whole number of blocks.
    last
        The gain after that, 0 or 1.
    """

    def __init__(self, gains: NDArray[np.float32], last: int) -> None:
        self.is_over = False
        """Whether a block was given the last gain."""
        self._gains = gains[:, np.newaxis]
        self._last = last
        self._at = 0

    @classmethod
    def rising(cls, seconds: float, sample_rate: int, block_frames: int) -> Self:
        """Return a fade-in."""
        angle = _angles(math.pi / 2, seconds, sample_rate, block_frames)
        return cls(np.sin(angle) ** 2, 1)

    @classmethod
    def falling(cls, seconds: float, sample_rate: int, block_frames: int) -> Self:
        """Return a fade-out."""
        angle = _angles(math.pi, seconds, sample_rate, block_frames)
        return cls((0.5 + 0.5 * np.cos(angle)).astype(np.float32), 0)

    def apply(self, out: NDArray[np.float32]) -> None:
        """Multiply the next block by its gains."""
        if self._at >= len(self._gains):
            self.is_over = True
            if not self._last:
                out.fill(0.0)
            return
        out *= self._gains[self._at : self._at + len(out)]
        self._at += len(out)


def _angles(
    last: float, seconds: float, sample_rate: int, block_frames: int
) -> NDArray[np.float32]:
    blocks = math.ceil(seconds * sample_rate / block_frames)
    return np.linspace(0.0, last, blocks * block_frames, dtype=np.float32)
