"""A knob: where it stands, which of its messages are moves, and what it makes of its target.

Cheap knobs tremble: they send a step up and down though nobody touches them. So a knob that rests
must move by more than its own noise to be followed, and one that turns is followed at once in its
direction. How much it trembles is learned from steps that go back and forth; a wide turn makes it
forget half of that. Both ends can always be reached.

Where a knob does not stand where its target is (another has moved that, or the settings did), it
takes over without a jump: what is left of the target's way shrinks as what is left of the knob's.

Units: positions 0.0 to 127.0, frames.
"""

from math import inf

from config.bindings import Binding
from config.targets import travel
from voices.curves import bipolar_map

SETTLED_S = 0.25
"""A knob that has not moved for so long rests."""
TREMBLE, FINE_TREMBLE = 1.0, 0.25
"""How far a fresh knob with 7 bits trembles at most, and one with 14."""
MOST_TREMBLE = 4.0
WIDE = 24.0
FULL = 127.0


class Knob:
    """One knob, pedal, wheel or pressure of one channel.

    Parameters
    ----------
    sample_rate
        Frames per second.
    """

    def __init__(self, sample_rate: int) -> None:
        self.coarse = self.fine = 0
        """Its bytes, as they came."""
        self.position: float | None = None
        """Where it stands; None: it has not been heard of."""
        self.tremble = self._least = TREMBLE
        """By how much its messages go back and forth while it rests."""
        self._settled = SETTLED_S * sample_rate
        self._direction = 0
        self._turned_from = 0.0
        self._moved_at = -inf

    def read(self, value: int, *, is_fine: bool) -> float:
        """Take one of its bytes; return where it is by now. A coarse one sets the fine one to 0."""
        if is_fine:
            self.fine = value
            if self._least > FINE_TREMBLE:
                self.tremble = self._least = FINE_TREMBLE
        else:
            self.coarse, self.fine = value, 0
        return min(FULL, self.coarse + self.fine / 128)

    def moves(self, position: float, at: int) -> bool:
        """Return whether a message is a move, and not its own noise."""
        before = self.position
        if before is None:
            self._turned_from, self._moved_at = position, at
            return True
        way = position - before
        if way == 0.0:
            return False
        direction = 1 if way > 0 else -1
        turning = at - self._moved_at <= self._settled
        onwards = turning and direction == self._direction
        if not (onwards or abs(way) > self.tremble or position in (0.0, FULL)):
            return False
        if not onwards:
            if turning and self._direction and abs(way) <= MOST_TREMBLE:
                self.tremble = max(self.tremble, abs(way))
            self._turned_from = before
        elif abs(position - self._turned_from) >= WIDE:
            self.tremble, self._turned_from = max(self._least, self.tremble / 2), position
        self._direction, self._moved_at = direction, at
        return True


def meaning(binding: Binding, position: float) -> float:
    """Return what a knob at a position means, in the unit of its target."""
    return bipolar_map(position, *travel(binding.target, binding.low, binding.high))


def moved(binding: Binding, before: float | None, position: float, value: float) -> float:
    """Return what becomes of a target's value when its knob moves from ``before``.

    ``before`` None: nobody knows where it stood, and it is followed as it is.
    """
    ends = travel(binding.target, binding.low, binding.high)
    if before is None or value == bipolar_map(before, *ends):
        return bipolar_map(position, *ends)
    if position == before:
        return value
    if position >= before:
        end, share = FULL, (position - before) / (FULL - before) if before < FULL else 1.0
    else:
        end, share = 0.0, (before - position) / before
    if share >= 1.0:
        return meaning(binding, end)
    return value + (meaning(binding, end) - value) * share
