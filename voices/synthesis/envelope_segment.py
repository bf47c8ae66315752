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
        """Return the frame from which the level stays below ``level``.

        For a segment that ends in silence.
        """
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


def evaluate(
    columns: NDArray[np.float64],
    frames: NDArray[np.float64],
    *,
    rises: bool,
    decays: bool,
) -> NDArray[np.float32]:
    """Return the levels of segments, one a row of ``columns`` (V, 6), at frames (T,): (V, T).

    ``rises``: whether any is still on its way to its peak; ``decays``: whether any is past it.
    """
    start, origin, peak, attack, sustain, rate = columns.T[..., None]
    n = frames - start
    levels: NDArray[np.float32]
    if rises:
        levels = (n / attack).astype(np.float32)
        np.maximum(levels, 0.0, out=levels)
        np.minimum(levels, 1.0, out=levels)
        levels *= pi
        np.cos(levels, out=levels)
        levels *= ((origin - peak) / 2).astype(np.float32)
        levels += ((origin + peak) / 2).astype(np.float32)
    else:
        levels = np.repeat(peak.astype(np.float32), len(frames), axis=1)
    if decays:
        n -= attack
        np.maximum(n, 0.0, out=n)
        n *= -rate
        fall = n.astype(np.float32)
        np.exp(fall, out=fall)
        fall -= 1.0
        fall *= (peak - sustain).astype(np.float32)
        levels += fall
    return levels
