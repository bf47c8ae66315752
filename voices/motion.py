"""The motion of the channels' controls: every value glides to where it was set.

Values step on a grid of absolute frames, a fixed part of the way left at each point, and run
straight from point to point; so what is heard depends neither on the block size nor on where in
a block a message came. While a channel is silent its values jump.

Shapes: ``N`` channels; values in columns: pitch in cents, vibrato depth in cents, gain left,
gain right, tilt in dB per octave, and one level in dB for each bound partial.
"""

from collections import deque
from math import exp, pi, sin
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

GRID = 64
"""Frames from one point of the grid to the next."""
GLIDE_S = 0.004
"""Time constant of the glide."""
REST_S = 0.1
"""How long after its last change a channel still counts as in motion."""

PITCH, SWING, LEFT, RIGHT, TILT, FIRST_PARTIAL = range(6)
GAINS = slice(LEFT, RIGHT + 1)
_ARRIVED = np.array([1e-3, 1e-3, 1e-6, 1e-6, 1e-3])
"""How near a value has to be to its goal to jump there."""


class Stretch(NamedTuple):
    """The part of a block that lies in one cell of the grid.

    Over the cell every value runs straight from ``begin`` to ``end``; the stretch covers the
    cell from ``first`` to ``last``, both between 0 and 1.
    """

    offset: int
    frames: int
    first: float
    last: float
    begin: NDArray[np.float64]
    """Shape (N, columns)."""
    end: NDArray[np.float64]
    pitch_begin: NDArray[np.float64]
    """Shape (N,): frequency ratio, vibrato included."""
    pitch_end: NDArray[np.float64]

    def cut(
        self, begin: NDArray[np.float64], end: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the values at the ends of the stretch, given those at the ends of the cell."""
        travel = end - begin
        return begin + travel * self.first, begin + travel * self.last


class Motion:
    """Where the controls of every channel are, and where they are going."""

    def __init__(self, sample_rate: int, vibrato_hz: float) -> None:
        self.value = np.zeros((0, FIRST_PARTIAL))
        self.turning = np.zeros(0, bool)
        """Channels whose pitch or spectrum moves, so that their voices' tables do not hold."""
        self.panning = False
        """Whether any channel's gain moves."""
        self.vibrato_hz = vibrato_hz
        self._sample_rate = sample_rate
        self._goal = self._begin = self._end = self.value
        self._aims: deque[tuple[int, int, int, float]] = deque()
        self._rest_until = np.zeros(0)
        self._pull = 1.0 - exp(-GRID / (GLIDE_S * sample_rate))
        self._settled = True
        self.bind(0)

    def bind(self, partials: int) -> None:
        """Have a column for each of so many bound partials."""
        columns = FIRST_PARTIAL + partials
        channels = len(self.value)
        self._arrived = np.concatenate([_ARRIVED, np.full(partials, 1e-2)])
        self._shapes = np.ones(columns, bool)  # the columns that change pitch or spectrum
        self._shapes[GAINS] = False
        if columns != self.value.shape[1]:
            fixed = (values[:, :FIRST_PARTIAL] for values in (self.value, self._goal))
            free = np.zeros((channels, partials))
            self.value, self._goal = (np.concatenate([kept, free], axis=1) for kept in fixed)
            self._begin, self._end = self.value.copy(), self.value.copy()
            self._settled = False

    def add(self, channels: int) -> int:
        """Make room for more channels and return the index of the first."""
        first = len(self._goal)
        more = np.zeros((channels, self._goal.shape[1]))
        self._goal = np.concatenate([self._goal, more])
        self.value = np.concatenate([self.value, more])
        self._begin = np.concatenate([self._begin, more])
        self._end = np.concatenate([self._end, more])
        self.turning = np.concatenate([self.turning, np.zeros(channels, bool)])
        self._rest_until = np.concatenate([self._rest_until, np.zeros(channels)])
        return first

    def aim(self, channel: int, column: int, goal: float, frame: int) -> None:
        """Set where one value goes, from the first point of the grid at or after ``frame``."""
        self._aims.append((frame, channel, column, goal))
        self._settled = False

    def jump(self, channel: int) -> None:
        """Take every value of a silent channel to its goal at once."""
        if self._settled:
            return
        self._take_aims(None, channel)
        for values in (self.value, self._begin, self._end):
            values[channel] = self._goal[channel]
        self._rest_until[channel] = 0.0

    def jump_all(self) -> None:
        """Take every value to its goal while the whole instrument is silent."""
        if self._settled:
            return
        self._take_aims(None)
        self.value = self._goal.copy()
        self._begin, self._end = self.value.copy(), self.value.copy()
        self._rest_until[:] = 0.0
        self.panning = False
        self._settled = not self.value[:, SWING].any()

    def pitch(self, channel: int) -> float:
        """Return the frequency ratio at which a channel rests."""
        return float(2.0 ** (self.value[channel, PITCH] / 1200.0))

    def stretches(self, frame: int, frames: int) -> list[Stretch] | None:
        """Move through a block; return None when nothing moves in it."""
        if self._settled:
            return None
        result, offset = [], 0
        self.panning = False
        turning = self.value[:, SWING] > 0
        while offset < frames:
            inside = (frame + offset) % GRID
            cell = frame + offset - inside
            if inside == 0:
                self._step(cell)
            length = min(frames - offset, GRID - inside)
            result.append(self._stretch(cell, inside, length, offset))
            self.panning |= bool((self._begin[:, GAINS] != self._end[:, GAINS]).any())
            turning |= self._rest_until > frame + offset
            offset += length
        self.turning = turning
        if not (self.panning or self._aims or turning.any()) and (self.value == self._goal).all():
            self._begin, self._end = self.value.copy(), self.value.copy()
            self._settled = True
            return None
        return result

    def _stretch(self, cell: int, inside: int, length: int, offset: int) -> Stretch:
        """Return a part of the cell that starts at frame ``cell``."""
        return Stretch(
            offset,
            length,
            inside / GRID,
            (inside + length) / GRID,
            self._begin,
            self._end.copy(),
            self._ratios(self._begin, cell),
            self._ratios(self._end, cell + GRID),
        )

    def _ratios(self, values: NDArray[np.float64], frame: int) -> NDArray[np.float64]:
        """Return the frequency ratios at a point of the grid, vibrato included."""
        turn = self.vibrato_hz * frame / self._sample_rate % 1.0
        cents = values[:, PITCH] + values[:, SWING] * sin(2 * pi * turn)
        return np.asarray(np.exp2(cents / 1200.0))

    def _step(self, frame: int) -> None:
        """Go from the point of the grid at ``frame`` towards the next one."""
        self._take_aims(frame)
        self._begin = self._end
        away = self._goal - self.value
        self.value = self.value + away * self._pull
        near = np.abs(away) < self._arrived
        self.value[near] = self._goal[near]
        self._end = self.value.copy()
        moved = (self._begin != self._end).any(axis=1, where=self._shapes)
        self._rest_until[moved] = frame + GRID + REST_S * self._sample_rate

    def _take_aims(self, until: int | None, channel: int | None = None) -> None:
        """Set the goals of the messages up to a frame; of one channel only, if given."""
        later = deque[tuple[int, int, int, float]]()
        for aim in self._aims:
            frame, place, column, goal = aim
            if (until is None or frame <= until) and channel in (None, place):
                self._goal[place, column] = goal
            else:
                later.append(aim)
        self._aims = later
