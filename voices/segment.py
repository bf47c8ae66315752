"""A segment of an envelope, in closed form from the frame it starts at.

From its start a segment goes along a raised cosine from the level it found to a peak, and from
there exponentially to a sustain level::

    E(n) = peak + (from - peak)·(1 + cos(π·min(n/attack, 1)))/2
                + (sustain - peak)·(1 - e^(-rate·max(n - attack, 0)))

Before the start it is at ``from``. Attack and decay are such a segment; so are a release (no
attack, sustain 0) and the fade of a stolen note (an attack to 0). Whatever changes a note
freezes the level it has and starts a new segment there, so no level ever jumps.

Units: frames, linear levels, nepers per frame.
"""

from math import cos, exp, log, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

NO_ATTACK = 1e-9
"""An attack this short (frames) is over one frame after the start."""


class Segment(NamedTuple):
    """The six numbers of a segment, in the order of a bank's columns."""

    start: float
    origin: float
    peak: float
    attack: float
    sustain: float
    rate: float

    def at(self, frame: float) -> float:
        """Return the level at a frame."""
        n = frame - self.start
        if n <= 0:
            return self.origin
        if n < self.attack:
            return self.peak + (self.origin - self.peak) * (1 + cos(pi * n / self.attack)) / 2
        decay = 1.0 - exp(-self.rate * (n - self.attack))
        return self.peak + (self.sustain - self.peak) * decay

    def falls_below(self, level: float) -> float:
        """Return the frame from which the level stays below ``level``; infinity if it never does.

        For a segment that ends in silence.
        """
        if self.sustain > 0:
            return float("inf")
        settled = self.start + self.attack
        if self.peak <= level:
            return settled + 1
        return settled + log(self.peak / level) / self.rate


def note_on(frame: int, attack: float, sustain: float, rate: float) -> Segment:
    """Return attack and decay of a note that starts from silence."""
    return Segment(frame, 0.0, 1.0, attack, sustain, rate)


def release(frame: int, level: float, rate: float) -> Segment:
    """Return the release from a level."""
    return Segment(frame, level, level, NO_ATTACK, 0.0, rate)


def fade(frame: int, level: float, frames: int) -> Segment:
    """Return the click-free end of a note whose voice is needed."""
    return Segment(frame, level, 0.0, frames, 0.0, 1.0)


def evaluate(columns: NDArray[np.float64], frames: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the levels of segments, one a row of ``columns`` (V, 6), at frames (T,): (V, T)."""
    start, origin, peak, attack, sustain, rate = (column[:, None] for column in columns.T)
    n = frames - start
    levels: NDArray[np.float64] = np.clip(n / attack, 0.0, 1.0)
    levels *= pi
    np.cos(levels, out=levels)
    levels += 1.0
    levels *= (origin - peak) / 2
    levels += peak
    n -= attack
    np.maximum(n, 0.0, out=n)
    n *= -rate
    np.expm1(n, out=n)
    n *= peak - sustain
    levels += n
    return levels
