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
from functools import lru_cache, partial
from math import cos, exp, inf, log, pi
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from voices.curves import Course

NODES = 7
PIECE = 64
"""A decay is interpolated through its values at so many Chebyshev nodes, over so many frames ..."""
GENTLE = 1.2
"""... if its rate times a piece is no more: then to (k·L/2)^7 / (7!·2^6) of it, 9e-8."""
NO_ATTACK = 1e-9
"""An attack this short (frames) is over one frame after the start."""


class Segment(NamedTuple):
    """The six numbers of a segment, in the order of the columns of `Envelopes`."""

    start: int
    start_level: float
    peak: float
    attack: float
    sustain: float
    rate: float

    def level_at(self, frame: float) -> float:
        """Return the level at a frame."""
        start, start_level, peak, attack, sustain, rate = self
        n = frame - start
        if n <= 0:
            return start_level
        if n < attack:
            return peak + (start_level - peak) * (1 + cos(pi * n / attack)) / 2
        return peak + (sustain - peak) * (1.0 - exp(-rate * (n - attack)))

    def falls_below(self, level: float) -> float:
        """Return the frame from which it stays below ``level``: never, unless it decays to 0."""
        start, _, peak, attack, sustain, rate = self
        if sustain > 0.0:
            return inf
        risen = start + attack
        return risen + log(peak / level) / rate if peak > level else risen + 1


_segment = partial(tuple.__new__, Segment)
"""What `Segment` does, in half the time."""


def attack(frame: int, course: Course) -> Segment:
    """Return the attack and decay of a note that starts from silence."""
    return _segment((frame, 0.0, 1.0, *course))


def decay(frame: int, level: float, sustain: float, rate: float) -> Segment:
    """Return the decay from one level to another: a release if that is 0."""
    return _segment((frame, level, level, NO_ATTACK, sustain, rate))


def fade(frame: int, level: float, frames: int) -> Segment:
    """Return the click-free end of a note whose voice is needed."""
    return _segment((frame, level, 0.0, frames, 0.0, 1.0))


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


class Releases(NamedTuple):
    """Releases that start in the same block."""

    starts: Sequence[int]
    levels: Sequence[float]
    """Where they start."""
    rates: Sequence[float]

    def start_up(
        self, frame: int, times: NDArray[np.float32], levels: NDArray[np.float32]
    ) -> NDArray[np.float64]:
        """Do as `start_up` does, and return the segments, (V, 6)."""
        segments = np.empty((len(self.starts), 6))
        segments[:, 0] = self.starts
        segments[:, 1] = self.levels
        segments[:, 2] = segments[:, 1]
        rate = self.rates[0]
        alike = self.rates.count(rate) == len(self.rates)
        segments[:, 3:] = NO_ATTACK, 0.0, rate
        if not alike:
            segments[:, 5] = self.rates
        starts = segments[:, 0] - frame
        heights = np.exp(starts * segments[:, 5])
        heights *= segments[:, 1]
        height = heights.astype(np.float32).reshape(-1, 1)
        if alike:  # a product of matrices costs half of one that is spread along rows
            changed = height.dot(_falling(rate, len(times)))
        else:
            changed = segments[:, 5:].astype(np.float32).dot(-times[None])
            np.exp(changed, out=changed)
            changed *= height
        np.copyto(levels, changed, where=times >= starts.astype(np.float32)[:, None])
        return segments


def as_releases(segments: Sequence[Segment]) -> Releases | None:
    """Return segments as releases; None: some are something else."""
    starts, levels, _, attacks, sustains, rates = zip(*segments, strict=True)
    if attacks.count(NO_ATTACK) == sustains.count(0.0) == len(segments):
        return Releases(starts, levels, rates)
    return None


@lru_cache(maxsize=256)
def _falling(rate: float, frames: int) -> NDArray[np.float32]:
    """Return a line that falls from 1, (1, T)."""
    return np.asarray(np.exp(np.arange(frames, dtype=np.float32) * np.float32(-rate))[None])
