"""A segment of an envelope, in closed form from the frame it starts at.

From its start a segment follows a raised cosine from the level it found to a peak, and from there
decays exponentially to a sustain level::

    E(n) = peak + (start_level - peak)·(1 + cos(π·min(n/attack, 1)))/2
                + (sustain - peak)·(1 - e^(-rate·max(n - attack, 0)))

Before its start it is at ``start_level``. Attack and decay are one such segment; so are a release
(no attack, sustain 0) and the fade of a stolen note (an attack to 0). Whatever changes a note
starts a new segment from the level it has at that frame, so no level ever jumps.

Units: frames, linear levels, nepers per frame.
"""

from collections.abc import Sequence
from math import cos, exp, log, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

NODES = 7
PIECE = 64
"""A decay is interpolated through its values at so many Chebyshev nodes, over so many frames ..."""
GENTLE = 1.2
"""... if its rate times a piece is no more: then to (k·L/2)^7 / (7!·2^6) of it, 9e-8."""
NO_ATTACK = 1e-9
"""An attack this short (frames) is over one frame after the start."""


class Segment(NamedTuple):
    """The six numbers of a segment, in the order of the columns of `Envelopes`."""

    start: float
    start_level: float
    peak: float
    attack: float
    sustain: float
    rate: float

    def level_at(self, frame: float) -> float:
        """Return the level at a frame."""
        n = frame - self.start
        if n <= 0:
            return self.start_level
        if n < self.attack:
            return self.peak + (self.start_level - self.peak) * (1 + cos(pi * n / self.attack)) / 2
        decay = 1.0 - exp(-self.rate * (n - self.attack))
        return self.peak + (self.sustain - self.peak) * decay

    def falls_below(self, level: float) -> float:
        """Return the frame from which a segment that decays to 0 stays below ``level``."""
        risen = self.start + self.attack
        if self.peak <= level:
            return risen + 1
        return risen + log(self.peak / level) / self.rate


def attack(frame: int, frames: float, sustain: float, rate: float) -> Segment:
    """Return the attack and decay of a note that starts from silence."""
    return Segment(frame, 0.0, 1.0, frames, sustain, rate)


def decay(frame: int, level: float, sustain: float, rate: float) -> Segment:
    """Return the decay from one level to another: a release if that is 0."""
    return Segment(frame, level, level, NO_ATTACK, sustain, rate)


def fade(frame: int, level: float, frames: int) -> Segment:
    """Return the click-free end of a note whose voice is needed."""
    return Segment(frame, level, 0.0, frames, 0.0, 1.0)


def evaluate(
    segments: NDArray[np.float64],
    frame: int,
    times: NDArray[np.float32],
    *,
    rising: bool,
    decaying: bool,
) -> NDArray[np.float32]:
    """Return the levels of segments, one per row of ``segments`` (V, 6), as (V, T).

    They are those ``times`` (T,) after ``frame``. ``rising``: whether any may be in its attack;
    ``decaying``: whether any may be past it.
    """
    start, start_level, peak, attack, sustain, rate = segments.T[..., None]
    n = (frame - start).astype(np.float32) + times
    levels: NDArray[np.float32]
    if rising:
        levels = n * (pi / attack).astype(np.float32)
        np.maximum(levels, 0.0, out=levels)
        np.minimum(levels, pi, out=levels)
        np.cos(levels, out=levels)
        levels *= ((start_level - peak) / 2).astype(np.float32)
        levels += ((start_level + peak) / 2).astype(np.float32)
    else:
        levels = np.repeat(peak.astype(np.float32), len(times), axis=1)
    if decaying:
        n -= attack.astype(np.float32)
        np.maximum(n, 0.0, out=n)
        n *= (-rate).astype(np.float32)
        np.exp(n, out=n)
        n -= 1.0
        n *= (peak - sustain).astype(np.float32)
        levels += n
    return levels


def start_up(
    segments: NDArray[np.float64],
    frame: int,
    times: NDArray[np.float32],
    levels: NDArray[np.float32],
) -> None:
    """Overwrite ``levels`` (V, T) from the frames on at which ``segments`` (V, 6) start."""
    n = (frame - segments[:, :1]).astype(np.float32) + times
    begun = n >= 0.0
    rising = segments[:, 3].max() > NO_ATTACK
    if rising:
        changed = evaluate(segments, frame, times, rising=True, decaying=True)
    else:  # releases: of all segments these come most often many at a time
        peak, sustain, rate = segments.astype(np.float32).T[[2, 4, 5], :, None]
        np.maximum(n, 0.0, out=n)
        n *= -rate
        changed = np.exp(n, out=n)
        changed *= peak - sustain
        changed += sustain
    np.copyto(levels, changed, where=begun)


def are_alike_releases(segments: Sequence[Segment], steepest: float) -> bool:
    """Return whether all are releases that fall equally fast, at ``steepest`` or less a frame."""
    end = segments[0][3:]
    attack, sustain, rate = end
    if attack != NO_ATTACK or sustain != 0.0 or rate > steepest:
        return False
    return all(segment[3:] == end for segment in segments)


def start_releases(
    segments: NDArray[np.float64],
    frame: int,
    times: NDArray[np.float32],
    levels: NDArray[np.float32],
) -> None:
    """Do as `start_up` for releases that fall equally fast: all lie on one line."""
    rate = segments.item(0, 5)
    starts = segments[:, 0] - frame
    heights = np.exp(starts * rate)
    heights *= segments[:, 2]
    changed = heights.astype(np.float32)[:, None] * np.exp(times * np.float32(-rate))
    np.copyto(levels, changed, where=times >= starts.astype(np.float32)[:, None])
