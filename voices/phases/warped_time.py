"""A warped time: the integral of a frequency ratio that runs straight over every control period.

Where a sound is read that was drawn at one pitch, to be heard at another that moves.

Units: frames. A block covers all or part of some control periods.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD


def runs(fits: list[bool]) -> Iterator[tuple[int, int]]:
    """Yield where those that follow each other begin, and end."""
    changes = enumerate(pairwise([False, *fits, False]))
    places = [place for place, (before, now) in changes if before != now]
    yield from zip(places[::2], places[1::2], strict=True)


class Part(NamedTuple):
    """A control period of a warped time, as if it ran evenly there."""

    pieces: slice
    """Those of the block that are in it."""
    lead: float
    """How far it is ahead of the frame that is heard, at 0, ..."""
    grows: float
    """... and by how much more at every sample."""


class Course(NamedTuple):
    """Pieces of a warped time."""

    begins: list[int]
    """The sample at or before which each of them begins."""
    lines: list[float]
    """For each: where it begins after that, the pace there, and half of its change in a frame."""
    end: float
    """Where the last of them ends."""

    periods: list[tuple[float, float]]
    """Where each control period begins and ends, what is outside of the block included."""
    offset: int
    """How many frames of a period are before the block."""

    def parts(self, since: float) -> Iterator["Part"]:
        """Yield it period by period; it begins ``since`` frames after what was to be heard at 0."""
        pieces, heard = len(self.begins) // len(self.periods), since - self.offset
        for count, (begin, end) in enumerate(self.periods):
            grows = 1.0 - CONTROL_PERIOD / (end - begin)
            cut = slice(count * pieces, (count + 1) * pieces)
            yield Part(cut, begin - heard - grows * begin, grows)
            heard += CONTROL_PERIOD


def course_along(path: Sequence[float], ramps: Ramps, start: float, piece: int) -> Course:
    """Return the pieces, of so many frames each, of control periods with these ratios.

    The ratios are those at the control points.
    """
    frames, begins, lines = ramps.sub_block_frames, list[int](), list[float]()
    periods = list[tuple[float, float]]()
    for begin, end in pairwise(path):
        slope = (end - begin) / CONTROL_PERIOD
        pace, half = begin + slope * ramps.offset, slope / 2
        first = start - ramps.offset * (begin + ramps.offset * half)
        periods.append((first, first + CONTROL_PERIOD * (begin + end) / 2))
        for into in range(0, frames, piece):
            place = start + into * (pace + into * half)
            begins.append(whole := int(place))
            lines += place - whole, pace + into * slope, half
        start += frames * (pace + frames * half)
    return Course(begins, lines, start, periods, ramps.offset)
