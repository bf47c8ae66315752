"""How a tremulant swings: its depth, speed and turn, from point to point of a grid of frames.

Two kinds. ``wind``: a shaken wind supply, louder, sharper and brighter at once, both sides alike.
``rotor``: a loudspeaker that turns, with two speeds and unequal times to reach them; the sides
are a quarter turn apart, and the pitch swings by the speed of its mouth (Doppler).

A turn takes a whole number of points, so that it repeats itself once the swing is settled.

Units: hertz, dB peak to peak, seconds; frames; cycles.
"""

from math import cos, exp, log, pi, sin
from typing import NamedTuple

from config import space

GRID = 64
"""Frames from point to point."""
MOUTH_M, SOUND_M_S = 0.09, 343.0
"""How far the mouth of the rotor is from its axle, and the speed of sound: turning 6.6 times a
second it shifts by 38 cents peak to peak (v = 2πrf)."""
SLOW_HZ = 0.8
OFF = 1e-4
"""Below this depth it is off."""
ARRIVED = 0.01
"""So near to its depth or speed it is there."""
STEEPEST = 1.12
"""By no more frames does the delay change from point to point: 30 cents. Other settings, or a
knob that leaps, are followed no faster."""
MOST = (STEEPEST, 0.06, 0.06)
"""The same of each value of a `Side`; 0.06 is 8 dB eight times a second."""
CELL_POINTS = 3
"""What is heard from one point to the next depends on so many."""
LONGEST_S = 0.0114
"""The longest delay: that of 60 cents at half a hertz."""

Side = tuple[float, float, float]
"""What is heard on a side: delay, gain of the treble beside 1, gain."""
STILL: Side = (0.0, 0.0, 1.0)


class Kind(NamedTuple):
    """How a tremulant swings at full depth."""

    points: int
    """In a turn while it is on; of the rotor, when it turns fast."""
    slow_points: int
    """Of the rotor, when it turns slowly; of the wind the same as above."""
    level_db: float
    treble_db: float
    """Added to the level's swing above about 2 kHz."""
    start: float
    """Which part of what is left of the way to its depth, or to the faster speed, it goes from
    point to point ..."""
    stop: float
    """... and back."""
    apart: float
    """How far the right side is behind the left one, in cycles."""
    reach: float
    """By how much the delay swings each way."""


def kind_of(chosen: space.Tremulant, rate: int) -> Kind:
    """Return how a tremulant swings that is set like this; ``rate`` is in frames per second."""
    points = round(rate / GRID / chosen.rate_hz)
    if chosen.kind == "rotor":
        slow = round(rate / GRID / SLOW_HZ)
        shares, reach_s = (_share(0.8, rate), _share(1.7, rate)), MOUTH_M / SOUND_M_S
        return Kind(points, slow, chosen.level_db, 6.0, *shares, 0.25, reach_s * rate)
    # A delay that swings by this much shifts the pitch by half the swing at either peak.
    shift = exp(chosen.pitch_cents / 2 * log(2) / 1200) - 1.0
    shares, reach = (_share(0.6, rate), _share(1.0, rate)), shift / (2 * pi) * points * GRID
    return Kind(points, points, chosen.level_db, 2.0, *shares, 0.0, reach)


def _share(seconds: float, rate: int) -> float:
    return 1.0 - exp(-GRID / rate / seconds)


class Swing:
    """A tremulant's swing, at one point of the grid after the other."""

    def __init__(self, kind: Kind) -> None:
        self.kind = kind
        self.wanted = self.wanted_fast = 0.0
        """The depth that it goes to, and whether it goes to the faster speed."""
        self.sides = STILL, STILL
        self.restart()

    def restart(self) -> None:
        """Begin anew, from depth 0 and at the speed that is wanted."""
        self.depth, self.fast, self._turned = 0.0, self.wanted_fast, 0.0
        self.settled_for = 0
        """For so many points depth and speed have been what is wanted."""

    @property
    def next_place(self) -> int:
        """Which point of a turn that repeats itself the next one is; below 0: of none."""
        if self.settled_for < CELL_POINTS or not self._arrived:
            return -1
        kind = self.kind
        return self.settled_for % (kind.points if self.fast == 1.0 else kind.slow_points)

    @property
    def _arrived(self) -> bool:
        return self.depth == self.wanted and self.fast == self.wanted_fast

    def repeat(self, sides: tuple[Side, Side]) -> None:
        """Go on to the next point, which is as it was a turn before."""
        self.settled_for += 1
        self._turn()
        self.sides = sides

    def _turn(self) -> None:
        slow = 1.0 / self.kind.slow_points
        self._turned = (self._turned + slow + (1.0 / self.kind.points - slow) * self.fast) % 1.0

    def go_on(self) -> None:
        """Go on to the next point."""
        kind = self.kind
        if self._arrived:
            self.settled_for += 1
        else:
            self.settled_for = 0
            self.depth = _nearer(self.depth, self.wanted, kind.start, kind.stop)
            self.fast = _nearer(self.fast, self.wanted_fast, kind.start, kind.stop)
        self._turn()
        left, right = self.sides
        one = self._swung(self._turned, left)
        other = one
        if kind.apart or left != right:
            other = self._swung(self._turned - kind.apart, right)
        self.sides = one, other

    def _swung(self, turned: float, before: Side) -> Side:
        kind, angle = self.kind, 2.0 * pi * turned
        up = self.depth * sin(angle) * (log(10) / 40)
        here = (
            self.depth * kind.reach * (1.0 + cos(angle)),
            exp(kind.treble_db * up) - 1.0,
            exp(kind.level_db * up),
        )
        for value, earlier, most in zip(here, before, MOST, strict=True):
            if not -most <= value - earlier <= most:
                self.settled_for = 0
                delay, treble, gain = map(_towards, here, before, MOST)
                return delay, treble, gain
        return here


def _nearer(value: float, wanted: float, rising: float, falling: float) -> float:
    """Return a value after one more point on its way."""
    value += (wanted - value) * (rising if wanted > value else falling)
    return wanted if abs(wanted - value) < ARRIVED else value


def _towards(value: float, before: float, most: float) -> float:
    """Return a value, or what is nearest to it no further than ``most`` from the one before."""
    return min(max(value, before - most), before + most)
