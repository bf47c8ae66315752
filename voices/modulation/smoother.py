"""The motion of the channels' controls: every value glides to where it was set.

Values step on a grid of absolute frames, a fixed part of the way left at each point, and run
straight from point to point; so what is heard depends neither on the block size nor on where in a
block a message came. While a channel is silent its values jump. A note that moves by itself has a
row of values to itself (see `voices.notes.note_modulation`); what is said of channels holds for it
too.

Shapes: ``N`` channels; values in columns, each in one piece of memory: gain left, gain right,
pitch in cents, vibrato depth in cents, tilt in dB per octave, and one level in dB for each bound
partial.
"""

from collections import deque
from collections.abc import Sequence
from math import exp, log2
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.steady_vibrato import SteadyVibrato
from voices.modulation.vibrato_lfo import VibratoLfo

GRID = 64
"""Frames from one point of the grid to the next."""
GLIDE_S = 0.004
"""Time constant of the glide."""
REST_S = 0.1
"""How long after its last change a channel still counts as in motion."""

STEEP = 0.003
"""From this change of a pitch in a cell on, as a part of it, it is drawn by itself: 5 cents."""
_STEEP_OCTAVES = log2(1 + STEEP) / GRID

LEFT, RIGHT, PITCH, SWING, TILT, FIRST_PARTIAL = range(6)
GAINS, SHAPE = slice(LEFT, PITCH), slice(PITCH, None)
_ARRIVED = np.array([1e-6, 1e-6, 1e-3, 1e-3, 1e-3])
"""How near a value has to be to its goal to jump there."""


class Smoother:
    """Where the controls of every channel are, and where they are going."""

    def __init__(self, sample_rate: int, vibrato_hz: float) -> None:
        self.value = np.zeros((0, FIRST_PARTIAL), order="F")
        self.turning = np.zeros(0, bool)
        """Channels whose pitch or spectrum moves, so that their voices' tables do not hold."""
        self.panning = False
        """Whether any channel's gain moves."""
        self._paces = VibratoLfo(sample_rate, vibrato_hz)
        self._sample_rate = sample_rate
        self._goal = self._begin = self._end = self.value
        self._aims: deque[tuple[int, int, int, float]] = deque()
        self._rest_until = np.zeros(0)
        self._pull = 1.0 - exp(-GRID / (GLIDE_S * sample_rate))
        self._settled = True
        self._calm: SteadyVibrato | None = None
        """What holds while nothing glides; None: to be found out."""
        self.bind(0)

    @property
    def settled(self) -> bool:
        """Whether nothing moves."""
        return self._settled

    def bind(self, partials: int) -> None:
        """Have a column for each of so many bound partials."""
        columns = FIRST_PARTIAL + partials
        channels = len(self.value)
        self._arrived = np.concatenate([_ARRIVED, np.full(partials, 1e-2)])
        if columns != self.value.shape[1]:
            for name in ("value", "_goal"):
                values = np.zeros((channels, columns), order="F")
                values[:, :FIRST_PARTIAL] = getattr(self, name)[:, :FIRST_PARTIAL]
                setattr(self, name, values)
            self._begin, self._end = self.value.copy("K"), self.value.copy("K")
            self._settled, self._calm = False, None

    def add(self, values: Sequence[Sequence[float]]) -> int:
        """Take in channels at rest at these values; return the index of the first."""
        self._calm = None
        first = len(self._goal)
        more = np.array(values)
        for name in ("_goal", "value", "_begin", "_end"):
            setattr(self, name, np.asfortranarray(np.concatenate([getattr(self, name), more])))
        self.turning = np.concatenate([self.turning, np.zeros(len(more), bool)])
        self._rest_until = np.concatenate([self._rest_until, np.zeros(len(more))])
        self._paces.add(len(more))
        return first

    def copy(self, source: int, target: int) -> None:
        """Let a row run on as another does, with what is still to come."""
        self._calm = None
        for values in (self.value, self._goal, self._begin, self._end):
            values[target] = values[source]
        self._rest_until[target] = self._rest_until[source]
        self._paces.copy(source, target)
        for frame, place, column, goal in list(self._aims):
            if place == source:
                self._aims.append((frame, target, column, goal))

    def place(self, channel: int, column: int, value: float) -> None:
        """Put one value of a silent channel somewhere, to stay there until it is aimed."""
        for values in (self.value, self._goal, self._begin, self._end):
            values[channel, column] = value
        self._aims = deque(aim for aim in self._aims if aim[1:3] != (channel, column))
        self._settled, self._calm = False, None

    def clear(self, channel: int) -> None:
        """Bring a row that nothing sounds by to rest at nothing."""
        self._calm = None
        for values in (self.value, self._goal, self._begin, self._end):
            values[channel] = 0.0
        self._rest_until[channel] = 0.0
        if self._aims:
            self._aims = deque(aim for aim in self._aims if aim[1] != channel)
        self._paces.clear(channel)

    def swing_at(self, channel: int, hertz: float, frame: int) -> None:
        """Set how often a channel's vibrato swings, soon after ``frame``."""
        self._paces.put(channel, hertz, frame)

    def aim(self, channel: int, column: int, goal: float, frame: int) -> None:
        """Set where one value goes, from the first point of the grid at or after ``frame``."""
        self._aims.append((frame, channel, column, goal))
        self._settled, self._calm = False, None

    def jump(self, channel: int) -> None:
        """Take every value of a silent channel to its goal at once."""
        if self._settled:
            return
        self._calm = None
        self._take_aims(None, channel)
        for values in (self.value, self._begin, self._end):
            values[channel] = self._goal[channel]
        self._rest_until[channel] = 0.0

    def jump_all(self) -> None:
        """Take every value to its goal while the whole instrument is silent."""
        if self._settled:
            return
        self._calm = None
        self._take_aims(None)
        self.value = self._goal.copy("K")
        self._begin, self._end = self.value.copy("K"), self.value.copy("K")
        self._rest_until[:] = 0.0
        self.panning = False
        self._settled = not self.value[:, SWING].any()

    def passage(self, frame: int, frames: int) -> Ramps | None:
        """Move through a block; return None when nothing moves in it."""
        if self._settled:
            return None
        if self._paces.advance(frame):
            self._calm = None
        inside = frame % GRID
        if self._calm and frame < self._calm.until:
            return self._calmly(self._calm, frame, frames)
        cells = range(frame - inside, frame + frames, GRID)
        points: list[NDArray[np.float64]] = []
        turning = self.value[:, SWING] > 0
        for cell in cells:
            if cell >= frame:
                self._step(cell)
            points = points or [self._begin]
            points.append(self._end)
            turning |= self._rest_until > max(cell, frame)
        self.turning = turning
        path = np.array([point.T for point in points]).transpose(0, 2, 1)
        begin, end = path[:-1], path[1:]
        self.panning = bool((begin[..., GAINS] != end[..., GAINS]).any())
        if not (self.panning or self._aims or turning.any()) and (self.value == self._goal).all():
            self._begin, self._end = self.value.copy("K"), self.value.copy("K")
            self._settled = True
            return None
        if not self._aims and (begin == end).all() and (end == self._goal).all():
            self._find_calm(frame + frames)
        edges = np.arange(frame - inside, frame + frames + GRID, GRID)
        pitch = self._ratios(path, edges[:, None])
        shaping = bool(path[..., TILT:].any())
        return _through(
            *(frame, frames, begin, end, pitch),
            gentle=False,
            shaping=shaping,
            reshaping=shaping and bool((begin[..., TILT:] != end[..., TILT:]).any()),
            highest=float(pitch.max()),
        )

    def _find_calm(self, frame: int) -> None:
        """Keep what holds from ``frame`` on, now that nothing glides any more."""
        depth = self.value[:, SWING]
        self._begin, self._end, resting = self.value, self.value, self._rest_until > frame
        self._calm = SteadyVibrato(
            self.value[:, PITCH],
            depth,
            self._paces.swung,
            self._sample_rate,
            turning=resting | (depth > 0),
            shaping=bool(self.value[:, TILT:].any()),
            until=float(self._rest_until[resting].min()) if resting.any() else float("inf"),
        )

    def _calmly(self, calm: SteadyVibrato, frame: int, frames: int) -> Ramps:
        """Move through a block in which nothing but vibrato does."""
        self.turning, self.panning = calm.turning, False
        value = self.value[None]
        return _through(
            *(frame, frames, value, value),
            calm.pitch(range(frame - frame % GRID, frame + frames + GRID, GRID)),
            gentle=calm.changes < _STEEP_OCTAVES,
            shaping=calm.shaping,
            reshaping=False,
            highest=calm.highest,
        )

    def _ratios(self, values: NDArray[np.float64], frame: NDArray[Any]) -> NDArray[np.float64]:
        """Return the frequency ratios at points of the grid, vibrato included."""
        cents = values[..., PITCH]
        if values[..., SWING].any():
            cents = cents + values[..., SWING] * np.sin(2 * np.pi * self._paces.turns(frame))
        return np.asarray(np.exp2(cents / 1200.0))

    def _step(self, frame: int) -> None:
        """Go from the point of the grid at ``frame`` towards the next one."""
        if self._aims:
            self._take_aims(frame)
        self._begin = self._end
        away = self._goal - self.value
        self.value = self.value + away * self._pull
        near = np.abs(away) < self._arrived
        np.copyto(self.value, self._goal, where=near)
        self._end = self.value.copy("K")
        moved = (self._begin[:, SHAPE] != self._end[:, SHAPE]).any(axis=1)
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


def _through(
    frame: int,
    frames: int,
    begin: NDArray[np.float64],
    end: NDArray[np.float64],
    pitch: NDArray[np.float64],
    *,
    gentle: bool,
    shaping: bool,
    reshaping: bool,
    highest: float,
) -> Ramps:
    """Return the passage through a block of ``frames`` from ``frame`` on."""
    inside, length = frame % GRID, min(frames, GRID)
    odd, first, last = frame // GRID % 2 == 1, inside / GRID, (inside + length) / GRID
    kind = (gentle, shaping, reshaping, highest)
    return Ramps(length, inside, odd, *kind, first, last, begin, end, pitch)
