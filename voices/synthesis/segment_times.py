"""The times of segments: how long each rises, must be evaluated frame by frame, and changes.

Those of segments that start from silence are remembered, for most notes begin like others; of the
later ones, such as releases, each has its own level.

Units: frames, linear levels, nepers per frame.
"""

from math import log

from voices.synthesis.attack_lines import AttackLines

ARRIVED = 1e-7
"""This near its sustain level a decay is over."""
MOST_KNOWN = 1024
"""So many are remembered."""

Shape = tuple[float, ...]
"""A segment without its start."""
Times = tuple[float, float, float, int | None]
"""For how long a segment rises, must be evaluated frame by frame, and changes; and where its attack
line begins, if it has one."""


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
