"""Attack lines: how fresh notes rise, worked out frame by frame before they are played.

A note that starts from silence follows the same line as every other with its attack, decay and
sustain level. Each line begins a block before the onset, at 0, and goes on for a block after the
attack, so that any block of a rising note is a piece of it. What else is known of such a segment
before it is evaluated is remembered, too.

Units: frames, linear levels, nepers per frame. Once made, lines do not change.
"""

from collections.abc import Iterable
from math import log

import numpy as np
from numpy.typing import NDArray

from voices.curves import Course
from voices.envelopes.envelope_segment import Segment, evaluate

LONGEST = 24_000
"""A longer attack has no line."""
MOST_FRAMES = 1 << 20
"""So many of all lines together, 4 MiB; attacks that come after that have none."""
ARRIVED = 1e-7
"""This near its sustain level a decay is over."""
MOST_KNOWN = 1024
"""The times of so many first segments are remembered."""

Shape = tuple[float, ...]
"""A segment without its start."""
Times = tuple[float, float, float, int | None]
"""For how long a segment rises, must be evaluated frame by frame, and changes; and where its attack
line begins, if it has one."""


class AttackLines:
    """The lines of some courses, for blocks of one length."""

    def __init__(self, courses: Iterable[Course], frames: int) -> None:
        self.onsets: dict[Course, int] = {}
        """Which of ``pieces`` begins with the onset of a line."""
        lines, end = [np.zeros(frames, np.float32)], frames
        for course in courses:
            attack = course[0]
            length = int(attack) + 3 * frames
            if course in self.onsets or attack > LONGEST or end + length > MOST_FRAMES:
                continue
            segment = np.array([Segment(0, 0.0, 1.0, *course)])
            times = np.arange(length, dtype=np.float32)
            lines.append(evaluate(segment, -frames, times, rising=True, decaying=True)[0])
            self.onsets[course] = end + frames
            end += length
        self.pieces: NDArray[np.float32]
        """Every piece of a block's length, of all lines: a view."""
        self.pieces = np.lib.stride_tricks.sliding_window_view(np.concatenate(lines), frames)


class SegmentTimes:
    """What is known of segments; those steeper than ``steepest`` are evaluated frame by frame."""

    def __init__(self, steepest: float) -> None:
        self._steepest = steepest
        self._lines = AttackLines((), 1)
        self._known: dict[Shape, Times] = {}

    def use(self, lines: AttackLines) -> None:
        """Let new notes rise along these lines."""
        self._lines = lines
        self._known.clear()

    def first(self, shape: Shape) -> Times:
        """Return the times of a segment that starts from silence."""
        return self._known.get(shape) or self._learn(shape)

    def _learn(self, shape: Shape) -> Times:
        if len(self._known) >= MOST_KNOWN:
            self._known.clear()
        _, peak, attack, sustain, rate = shape
        onset = self._lines.onsets.get((attack, sustain, rate)) if peak == 1.0 else None
        self._known[shape] = times = *self.later(shape)[:3], onset
        return times

    def later(self, shape: Shape) -> Times:
        """Return the times of any other segment."""
        _, peak, attack, sustain, rate = shape
        distance = abs(peak - sustain)
        arrival = attack + (log(distance / ARRIVED) / rate if distance > ARRIVED else 0.0)
        return attack, arrival if rate > self._steepest else attack, arrival, None
