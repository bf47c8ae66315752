"""The paces of the vibratos: how often each channel's swings, and how far it has swung.

Units: hertz, cycles, frames. Shapes: ``N`` channels.
"""

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

LONGEST = 1024
"""Frames of the longest block: its ends are ends of blocks of every length."""


class VibratoLfo:
    """A pace for every row of `Smoother`."""

    def __init__(self, sample_rate: int, hertz: float) -> None:
        self.swung = np.zeros((3, 0))
        """How often each swings, and how far it was at a frame: three rows of N."""
        self._usual = hertz
        self._sample_rate = sample_rate
        self._coming: deque[tuple[int, int, float]] = deque()

    def add(self, count: int) -> None:
        """Take in more channels."""
        more = np.zeros((3, count))
        more[0] = self._usual
        self.swung = np.concatenate([self.swung, more], axis=1)

    def copy(self, source: int, target: int) -> None:
        """Let a row swing as another does, with what is still to come."""
        self.swung[:, target] = self.swung[:, source]
        for frame, place, hertz in list(self._coming):
            if place == source:
                self._coming.append((frame, target, hertz))

    def clear(self, channel: int) -> None:
        """Forget what is still to come for a row."""
        if self._coming:
            self._coming = deque(pace for pace in self._coming if pace[1] != channel)

    def put(self, channel: int, hertz: float, frame: int) -> None:
        """Set a pace, at the next frame where a block of any length ends.

        So the sound is the same for all of them.
        """
        self._coming.append((-(-frame // LONGEST) * LONGEST, channel, hertz))

    def advance(self, frame: int) -> bool:
        """Put what is due in force; return whether anything was."""
        if not self._coming:
            return False
        later = deque[tuple[int, int, float]]()
        before = len(self._coming)
        for pace in self._coming:
            due, channel, hertz = pace
            if due > frame:
                later.append(pace)
                continue
            old, turned, since = self.swung[:, channel]
            turned += old * (due - since) / self._sample_rate
            self.swung[:, channel] = hertz, turned % 1.0, due
        self._coming = later
        return len(later) < before

    def turns(self, frame: NDArray[Any]) -> NDArray[np.float64]:
        """Return how far every vibrato has swung at frames, in cycles within one."""
        hertz, turned, since = self.swung
        return np.asarray((turned + hertz * (frame - since) / self._sample_rate) % 1.0)
