"""The smoother: every controlled value glides to its target instead of jumping there.

Values step on a grid of absolute frames, one control period apart, covering a fixed part of the
distance left at each step, and run straight between the points; so the sound depends neither on
the block length nor on where in a block a message arrived. While a row is silent its values jump.

Each channel has a row, and so has each note that moves on its own (see
`voices.notes.note_modulation`).

Shapes: ``N`` rows; values in columns, each in one piece of memory: gain left, gain right, pitch in
cents, vibrato depth in cents, what partials are spread by (see `voices.synthesis.spread`), tilt in
dB per octave, then level columns in dB (see `voices.synthesis.partial_gains`).
"""

from collections import deque
from collections.abc import Sequence
from math import exp, inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.steady_vibrato import SteadyVibrato
from voices.modulation.vibrato_lfo import VibratoLfo

CONTROL_PERIOD = 64
"""Frames from one control point to the next."""
SMOOTHING_S = 0.004
"""Time constant of the smoothing."""
MOVING_S = 0.1
"""How long after its last change a row still counts as moving."""

LEFT, RIGHT, PITCH, VIBRATO_DEPTH, STRETCH, DETUNING, TILT, FIRST_LEVEL = range(8)
GAINS, SHAPE, SPREAD = slice(LEFT, PITCH), slice(PITCH, None), slice(STRETCH, TILT)
"""The columns that the mixer applies, those that change the voices themselves, and of these, those
under which partials leave their ratios: no tables hold then."""
_TOLERANCE = np.array([1e-6, 1e-6, 1e-3, 1e-3, 1e-7, 1e-4, 1e-3])
_LEVEL_TOLERANCE = 1e-2
"""This near its target a value jumps to it."""


class Smoother:
    """The present values of every row, their targets, and the way from one to the other."""

    def __init__(self, sample_rate: int, vibrato_hz: float) -> None:
        self.values = np.zeros((0, FIRST_LEVEL), order="F")
        self.moving = np.zeros(0, bool)
        """Rows whose pitch or spectrum moves, so that their voices' tables do not hold."""
        self.gains_moving = False
        self._lfo = VibratoLfo(sample_rate, vibrato_hz)
        self._sample_rate = sample_rate
        self._target = self._begin = self._end = self.values
        self._pending: deque[tuple[int, int, int, float]] = deque()
        """Targets to come: frame, row, column, value."""
        self._moving_until = np.zeros(0)
        self._coefficient = 1.0 - exp(-CONTROL_PERIOD / (SMOOTHING_S * sample_rate))
        self.at_rest = True
        """Whether nothing moves."""
        self._plain = True
        self._steady: SteadyVibrato | None = None
        """What holds while only vibrato moves; None: not known."""
        self.set_level_columns(0)

    @property
    def plain(self) -> bool:
        """Whether all rows are known to rest at their keys' own pitch and spectrum."""
        return self.at_rest and self._plain

    def _come_to_rest(self) -> None:
        self._begin, self._end = self.values.copy("K"), self.values.copy("K")
        self.at_rest, self._plain = True, not self.values[:, SHAPE].any()

    def set_level_columns(self, count: int) -> None:
        """Have so many level columns, all at 0 dB if their number changes."""
        columns, rows = FIRST_LEVEL + count, len(self.values)
        self._tolerance = np.concatenate([_TOLERANCE, np.full(count, _LEVEL_TOLERANCE)])
        if columns != self.values.shape[1]:
            for name in ("values", "_target"):
                values = np.zeros((rows, columns), order="F")
                values[:, :FIRST_LEVEL] = getattr(self, name)[:, :FIRST_LEVEL]
                setattr(self, name, values)
            self._begin, self._end = self.values.copy("K"), self.values.copy("K")
            # What was on its way to a level column meant another one.
            self._pending = deque(each for each in self._pending if each[2] < FIRST_LEVEL)
            self.at_rest, self._steady = False, None

    def add_rows(self, values: Sequence[Sequence[float]]) -> int:
        """Add rows at rest at these values; return the index of the first."""
        self._steady = None
        first = len(self._target)
        added = np.array(values)
        self._plain &= not added[:, SHAPE].any()
        for name in ("_target", "values", "_begin", "_end"):
            setattr(self, name, np.asfortranarray(np.concatenate([getattr(self, name), added])))
        self.moving = np.concatenate([self.moving, np.zeros(len(added), bool)])
        self._moving_until = np.concatenate([self._moving_until, np.zeros(len(added))])
        self._lfo.add_rows(len(added))
        return first

    def copy_row(self, source: int, target: int) -> None:
        """Make one row move exactly as another does, with the targets still to come."""
        self._steady = None
        for values in (self.values, self._target, self._begin, self._end):
            values[target] = values[source]
        self._moving_until[target] = self._moving_until[source]
        self._lfo.copy_row(source, target)
        for frame, row, column, value in list(self._pending):
            if row == source:
                self._pending.append((frame, target, column, value))

    def set_value(self, row: int, column: int, value: float) -> None:
        """Set one value of a silent row at once; it stays there until it gets a target."""
        for values in (self.values, self._target, self._begin, self._end):
            values[row, column] = value
        self._pending = deque(each for each in self._pending if each[1:3] != (row, column))
        self.at_rest, self._steady = False, None

    def clear_row(self, row: int) -> None:
        """Bring a row that no voice follows to rest at zero."""
        self._steady = None
        for values in (self.values, self._target, self._begin, self._end):
            values[row] = 0.0
        self._moving_until[row] = 0.0
        if self._pending:
            self._pending = deque(each for each in self._pending if each[1] != row)
        self._lfo.clear_row(row)

    def set_vibrato_rate(self, row: int, rate_hz: float, frame: int) -> None:
        """Set the rate of a row's vibrato, soon after ``frame``."""
        self._lfo.set_rate(row, rate_hz, frame)

    def set_target(self, row: int, column: int, value: float, frame: int) -> None:
        """Set where one value goes, from the first control point at or after ``frame``."""
        self._pending.append((frame, row, column, value))
        self.at_rest, self._steady = False, None

    def snap(self, row: int) -> None:
        """Set every value of a silent row to its target at once."""
        if self.at_rest:
            return
        self._steady = None
        self._take_targets(None, row)
        for values in (self.values, self._begin, self._end):
            values[row] = self._target[row]
        self._moving_until[row] = 0.0

    def snap_all(self) -> None:
        """Set every value to its target while the whole instrument is silent."""
        if self.at_rest:
            return
        self._steady = None
        self._take_targets(None)
        self.values = self._target.copy("K")
        self._moving_until[:] = 0.0
        self.gains_moving = False
        self._come_to_rest()
        self.at_rest = not self.values[:, VIBRATO_DEPTH:TILT].any()

    def advance(self, frame: int, frames: int) -> Ramps | None:
        """Move through a block; return None when nothing moves in it."""
        if self.at_rest:
            return None
        if self._lfo.advance(frame):
            self._steady = None
        offset = frame % CONTROL_PERIOD
        if self._steady and frame < self._steady.until:
            return self._advance_steadily(self._steady, frame, frames)
        points: list[NDArray[np.float64]] = []
        moving = self._never_resting()
        for point in range(frame - offset, frame + frames, CONTROL_PERIOD):
            if point >= frame:
                self._step(point)
            points = points or [self._begin]
            points.append(self._end)
            moving |= self._moving_until > max(point, frame)
        self.moving = moving
        path = np.array([point.T for point in points]).transpose(0, 2, 1)
        begin, end = path[:-1], path[1:]
        self.gains_moving = bool((begin[..., GAINS] != end[..., GAINS]).any())
        arrived = not self._pending and (self.values == self._target).all()
        if arrived and not (self.gains_moving or moving.any()):
            self._come_to_rest()
            return None
        if arrived and (begin == end).all():
            self._find_steady(frame + frames)
        edges = np.arange(frame - offset, frame + frames + CONTROL_PERIOD, CONTROL_PERIOD)
        ratio = self._pitch_ratios(path, edges[:, None])
        shaped = bool(path[..., TILT:].any())
        spread = bool(path[..., SPREAD].any())
        return _ramps(
            *(frame, frames, begin, end, ratio),
            max_slope=inf,
            shaped=shaped,
            reshaping=shaped and bool((begin[..., TILT:] != end[..., TILT:]).any()),
            spread=spread,
            range_of_ratios=(float(ratio.min()), float(ratio.max())),
        )

    def _never_resting(self) -> NDArray[np.bool_]:
        """Return which rows move for as long as their values are what they are."""
        moving: NDArray[np.bool_] = self.values[:, VIBRATO_DEPTH] > 0
        return moving | self.values[:, SPREAD].any(axis=1)

    def _find_steady(self, frame: int) -> None:
        """Keep what holds from ``frame`` on, now that nothing but vibrato moves."""
        depth = self.values[:, VIBRATO_DEPTH]
        self._begin, self._end, recent = self.values, self.values, self._moving_until > frame
        self._steady = SteadyVibrato(
            self.values[:, PITCH],
            depth,
            self._lfo.state,
            self._sample_rate,
            moving=recent | self._never_resting(),
            shaped=bool(self.values[:, TILT:].any()),
            spread=bool(self.values[:, SPREAD].any()),
            until=float(self._moving_until[recent].min()) if recent.any() else inf,
        )

    def _advance_steadily(self, steady: SteadyVibrato, frame: int, frames: int) -> Ramps:
        """Move through a block in which nothing but vibrato moves."""
        self.moving, self.gains_moving = steady.moving, False
        values = self.values[None]
        first = frame - frame % CONTROL_PERIOD
        return _ramps(
            *(frame, frames, values, values),
            steady.pitch_ratios(range(first, frame + frames + CONTROL_PERIOD, CONTROL_PERIOD)),
            max_slope=steady.max_slope,
            shaped=steady.shaped,
            reshaping=False,
            spread=steady.spread,
            range_of_ratios=steady.range_of_ratios,
        )

    def _pitch_ratios(
        self, values: NDArray[np.float64], points: NDArray[Any]
    ) -> NDArray[np.float64]:
        """Return the frequency ratios at control points, vibrato included."""
        cents = values[..., PITCH]
        depth = values[..., VIBRATO_DEPTH]
        if depth.any():
            cents = cents + depth * np.sin(2 * np.pi * self._lfo.phases(points))
        return np.asarray(np.exp2(cents / 1200.0))

    def _step(self, point: int) -> None:
        """Go from the control point at frame ``point`` towards the next one."""
        if self._pending:
            self._take_targets(point)
        self._begin = self._end
        distance = self._target - self.values
        self.values = self.values + distance * self._coefficient
        near = np.abs(distance) < self._tolerance
        np.copyto(self.values, self._target, where=near)
        self._end = self.values.copy("K")
        moved = (self._begin[:, SHAPE] != self._end[:, SHAPE]).any(axis=1)
        self._moving_until[moved] = point + CONTROL_PERIOD + MOVING_S * self._sample_rate

    def _take_targets(self, until: int | None, row: int | None = None) -> None:
        """Set the targets that are due by a frame; of one row only, if given."""
        later = deque[tuple[int, int, int, float]]()
        for pending in self._pending:
            frame, its_row, column, value = pending
            if (until is None or frame <= until) and row in (None, its_row):
                self._target[its_row, column] = value
            else:
                later.append(pending)
        self._pending = later


def _ramps(
    frame: int,
    frames: int,
    begin: NDArray[np.float64],
    end: NDArray[np.float64],
    pitch_ratio: NDArray[np.float64],
    *,
    max_slope: float,
    shaped: bool,
    reshaping: bool,
    spread: bool,
    range_of_ratios: tuple[float, float],
) -> Ramps:
    """Return the ramps of a block of ``frames`` from ``frame`` on."""
    offset, length = frame % CONTROL_PERIOD, min(frames, CONTROL_PERIOD)
    odd = frame // CONTROL_PERIOD % 2 == 1
    first, last = offset / CONTROL_PERIOD, (offset + length) / CONTROL_PERIOD
    kind = (max_slope, shaped, reshaping, spread, *range_of_ratios)
    return Ramps(length, offset, odd, *kind, first, last, begin, end, pitch_ratio)
