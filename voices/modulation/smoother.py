"""The smoother: every controlled value glides to its target instead of jumping there.

Values step on a grid of absolute frames, one control period apart, covering a fixed part of the
distance left at each step, and run straight between the points; so the sound depends neither on
the block length nor on where in a block a message arrived. While a row is silent its values jump.
Few values move at a time: they go number by number, which costs less than arrays of all rows.
Each channel has a row, and each note that moves on its own (`voices.notes.note_modulation`).

Shapes: ``N`` rows; values in columns, each in one piece of memory: gain left, gain right, pitch in
cents, vibrato depth in cents, what partials are spread by (see `voices.synthesis.spread`), tilt in
dB per octave, then level columns in dB (see `voices.synthesis.partial_gains`).
"""

from collections import deque
from collections.abc import Sequence
from math import exp, inf

import numpy as np
from numpy.typing import NDArray

from voices.modulation.pitch_paths import PitchPaths
from voices.modulation.ramps import Ramps
from voices.modulation.vibrato_lfo import LONGEST_BLOCK, VibratoLfo

CONTROL_PERIOD = 64
"""Frames from one control point to the next."""
SMOOTHING_S = 0.004
"""Time constant of the smoothing."""
MOVING_S = 0.1
"""How long after its last change a row still counts as moving."""

LEFT, RIGHT, PITCH, VIBRATO_DEPTH, STRETCH, DETUNING, TILT, FIRST_LEVEL = range(8)
GAINS, SHAPE = slice(LEFT, PITCH), slice(PITCH, None)
"""The columns that the mixer applies, and those that change the voices themselves: of these, ..."""
SPECTRUM, RESTLESS, SPREAD = slice(TILT, None), slice(VIBRATO_DEPTH, STRETCH), slice(STRETCH, TILT)
"""... the gains of partials; that under which no tables hold, as long as it is not 0; and those
under which partials leave their ratios."""
_TOLERANCE = (1e-6, 1e-6, 1e-3, 1e-3, 1e-7, 1e-4, 1e-3)
_LEVEL_TOLERANCE = 1e-2
"""This near its target a value jumps to it."""

Cell = tuple[int, int]
"""A row and a column."""


class Smoother:
    """The present values of every row, their targets, and the way from one to the other."""

    def __init__(self, sample_rate: int, vibrato_hz: float) -> None:
        self.values = np.zeros((0, FIRST_LEVEL), order="F")
        self.moving = np.zeros(0, bool)
        """Rows whose pitch moves, so that their voices' tables do not hold."""
        self.reshaping = np.zeros(0, bool)
        """Rows whose spectrum changes."""
        self.gains_moving = False
        self._lfo = VibratoLfo(sample_rate, vibrato_hz)
        self._sample_rate = sample_rate
        self._target = self.values.copy()
        self._pending: deque[tuple[int, int, int, float]] = deque()  # frame, row, column, value
        self._gliding: set[Cell] = set()
        """Values that are not at their targets."""
        self._moved: dict[Cell, float] = {}
        """Values that are not the same all along the path, and where the last period began."""
        self.respun: dict[int, tuple[int, int]] = {}
        """From when until which start of a longest block a row's spectrum counts as changing."""
        self._moving_until: dict[int, float] = {}
        """Until which frame the pitch of which rows counts as moving."""
        self._path: NDArray[np.float64] | None = None
        """Values at the ends of a block's periods, (S + 1, N, columns); None: not laid out."""
        self._pitches = PitchPaths(self._lfo)
        self._coefficient = 1.0 - exp(-CONTROL_PERIOD / (SMOOTHING_S * sample_rate))
        self.at_rest = True  # nothing moves
        self._plain, self._shaped, self._spread = True, False, False
        self._spread_steps = [0.0, 0.0]  # of the spread columns in a period of this block, at most
        self.set_level_columns(0)

    @property
    def plain(self) -> bool:
        """Whether all rows are known to rest at their keys' own pitch and spectrum."""
        return self.at_rest and self._plain

    def set_level_columns(self, count: int) -> None:
        """Have so many level columns, all at 0 dB if their number changes."""
        columns, rows = FIRST_LEVEL + count, len(self.values)
        self._tolerance = (*_TOLERANCE, *[_LEVEL_TOLERANCE] * count)
        if columns != self.values.shape[1]:
            for name in ("values", "_target"):
                values = np.zeros((rows, columns), order="F")
                values[:, :FIRST_LEVEL] = getattr(self, name)[:, :FIRST_LEVEL]
                setattr(self, name, values)
            # What was on its way to a level column meant another one.
            self._pending = deque(each for each in self._pending if each[2] < FIRST_LEVEL)
            self._gliding = {each for each in self._gliding if each[1] < FIRST_LEVEL}
            self._moved = {each: at for each, at in self._moved.items() if each[1] < FIRST_LEVEL}
            self.at_rest, self._path = False, None

    def add_rows(self, values: Sequence[Sequence[float]]) -> int:
        """Add rows at rest at these values; return the index of the first."""
        first = len(self._target)
        added = np.array(values)
        self._plain &= not added[:, SHAPE].any()
        for name in ("_target", "values"):
            setattr(self, name, np.asfortranarray(np.concatenate([getattr(self, name), added])))
        self._lfo.add_rows(len(added))
        self._path = None
        return first

    def copy_row(self, source: int, target: int) -> None:
        """Make one row move exactly as another does, with the targets still to come."""
        self._still(target)
        for values in (self.values, self._target):
            values[target] = values[source]
        self._gliding |= {(target, column) for row, column in self._gliding if row == source}
        columns = {column: at for (row, column), at in self._moved.items() if row == source}
        self._moved |= {(target, column): at for column, at in columns.items()}
        if source in self.respun:
            self.respun[target] = self.respun[source]
        if source in self._moving_until:
            self._moving_until[target] = self._moving_until[source]
        self._lfo.copy_row(source, target)
        also = [(at, target, c, to) for at, row, c, to in self._pending if row == source]
        self._pending.extend(also)

    def set_value(self, row: int, column: int, value: float) -> None:
        """Set one value of a silent row at once; it stays there until it gets a target."""
        self.values[row, column] = self._target[row, column] = value
        self._gliding.discard((row, column))
        self._moved.pop((row, column), None)
        self._pending = deque(each for each in self._pending if each[1:3] != (row, column))
        self.at_rest, self._path = False, None

    def clear_row(self, row: int) -> None:
        """Bring a row that no voice follows to rest at zero."""
        self._still(row)
        self.values[row] = self._target[row] = 0.0
        self._pending = deque(each for each in self._pending if each[1] != row)
        self._lfo.clear_row(row)

    def _still(self, row: int) -> None:
        """Stop whatever moves in a row."""
        self._gliding = {each for each in self._gliding if each[0] != row}
        self._moved = {each: at for each, at in self._moved.items() if each[0] != row}
        self._moving_until.pop(row, None)
        self.respun.pop(row, None)
        self._path = None

    def set_vibrato_rate(self, row: int, rate_hz: float, frame: int) -> None:
        """Set the rate of a row's vibrato, soon after ``frame``."""
        self._lfo.set_rate(row, rate_hz, frame)

    def set_target(self, row: int, column: int, value: float, frame: int) -> None:
        """Set where one value goes, from the first control point at or after ``frame``."""
        self._pending.append((frame, row, column, value))
        self.at_rest = False

    def snap(self, row: int) -> None:
        """Set every value of a silent row to its target at once."""
        if self.at_rest:
            return
        self._take_targets(None, row)
        if row in self._moving_until or any(c[0] == row for c in (*self._gliding, *self._moved)):
            self._still(row)
            self.values[row] = self._target[row]

    def snap_all(self) -> None:
        """Set every value to its target while the whole instrument is silent."""
        if self.at_rest:
            return
        self._take_targets(None)
        self.values = self._target.copy("K")
        self._gliding.clear()
        self._moved.clear()
        self._moving_until.clear()
        self._path = None
        self._come_to_rest()
        self.at_rest = not self.values[:, RESTLESS].any()

    def _come_to_rest(self) -> None:
        self.at_rest, self._plain = True, not self.values[:, SHAPE].any()
        self.gains_moving = False

    def advance(self, frame: int, frames: int) -> Ramps | None:
        """Move through a block; return None when nothing moves in it."""
        if self.at_rest:
            return None
        self._lfo.advance(frame)
        offset, periods = frame % CONTROL_PERIOD, max(1, frames // CONTROL_PERIOD)
        anew = self._path is None
        path = self._lay_out(periods) if self._path is None else self._path
        if offset == 0:
            self._go_on(path, frame)
        if not (self._moved or self._moving_until or self._pending or self._gliding):
            self._come_to_rest()
            return None
        columns = {column for _, column in self._moved}
        if anew or offset == 0:
            first, until = frame - offset, self._moving_until
            points = range(first, first + (periods + 1) * CONTROL_PERIOD, CONTROL_PERIOD)
            swings = PITCH in columns or VIBRATO_DEPTH in columns or inf in until.values()
            if swings or anew or self._pitches.restless:
                self._pitches.follow(path[..., PITCH:STRETCH], until, points)
        self.gains_moving = LEFT in columns or RIGHT in columns
        reshaping = max(columns, default=0) >= TILT
        spreading = STRETCH in columns or DETUNING in columns
        pitches, length = self._pitches, min(frames, CONTROL_PERIOD)
        return Ramps(
            *(length, offset, frame // CONTROL_PERIOD % 2 == 1, pitches.max_slope),
            *(self._shaped or reshaping, reshaping, self._spread or spreading, spreading),
            self._spread_steps,
            *(pitches.lowest, pitches.highest),
            *(offset / CONTROL_PERIOD, (offset + length) / CONTROL_PERIOD),
            *(path[:-1], path[1:], path, pitches.ratios),
        )

    def _lay_out(self, periods: int) -> NDArray[np.float64]:
        """Make the path anew: of what is as it is, and of what the last period has moved."""
        rows, columns = self.values.shape
        path = np.empty((periods + 1, columns, rows)).transpose(0, 2, 1)
        path[:] = self.values
        for (row, column), begin in self._moved.items():
            path[0, row, column] = begin
        self._path = path
        self.moving, self.reshaping = np.zeros(rows, bool), np.zeros(rows, bool)
        for row in np.any(self.values[:, RESTLESS], axis=1).nonzero()[0].tolist():
            self._moving_until.setdefault(row, inf)
        self.moving[list(self._moving_until)] = True
        for row, column in self._moved:
            self.reshaping[row] |= column >= TILT
        self._find_resting()
        return path

    def _find_resting(self) -> None:
        """Find what holds for the values that do not move."""
        self._shaped, self._spread = (bool(self.values[:, a].any()) for a in (SPECTRUM, SPREAD))
        self._pitches.rest(self.values[:, PITCH])

    def _go_on(self, path: NDArray[np.float64], frame: int) -> None:
        """Go through the control periods of a block that begins with one."""
        if self._moved:
            self._spread_steps = [0.0, 0.0]
            for cell in self._moved:
                path[:, cell[0], cell[1]] = self.values[cell]
                if cell not in self._gliding and cell[1] >= PITCH:
                    self._find_resting()
            self._moved.clear()
            self.reshaping[:] = False
        for row, until in list(self._moving_until.items()):
            if until <= frame:
                if self.values[row, RESTLESS].any():
                    self._moving_until[row] = inf
                else:
                    del self._moving_until[row]
                    self.moving[row] = False
        for place in range(1, len(path)):
            point = frame + (place - 1) * CONTROL_PERIOD
            if self._pending:
                self._take_targets(point)
            if self._gliding:
                self._step(path, place, point)

    def _step(self, path: NDArray[np.float64], place: int, point: int) -> None:
        """Go from the control point at frame ``point`` to the next, at a ``place`` of the path."""
        gliding = tuple(self._gliding)
        for cell in gliding:
            row, column = cell
            value, target = self.values.item(cell), self._target.item(cell)
            distance = target - value
            self._moved[cell] = value
            path[place, row, column] = value = value + distance * self._coefficient
            if abs(distance) < self._tolerance[column]:
                path[place:, row, column] = value = target
                self._gliding.remove(cell)
            self.values[cell] = value
            if column >= TILT:
                self.reshaping[row] = True
            elif column >= PITCH:
                if column >= STRETCH:
                    step, steps = abs(value - self._moved[cell]), self._spread_steps
                    steps[column - STRETCH] = max(steps[column - STRETCH], step)
                self.moving[row] = True
                self._moving_until[row] = point + CONTROL_PERIOD + MOVING_S * self._sample_rate
        ends = (point // LONGEST_BLOCK + 2) * LONGEST_BLOCK
        for row in {row for row, column in gliding if column >= STRETCH}:
            since, until = self.respun.get(row, (point, point))
            self.respun[row] = since if point < until else point, ends

    def _take_targets(self, until: int | None, row: int | None = None) -> None:
        """Set the targets that are due by a frame; of one row only, if given."""
        later = deque[tuple[int, int, int, float]]()
        for pending in self._pending:
            frame, its_row, column, value = pending
            if (until is None or frame <= until) and row in (None, its_row):
                self._target[its_row, column] = value
                if value != self.values.item(its_row, column):
                    self._gliding.add((its_row, column))
                else:
                    self._gliding.discard((its_row, column))
            else:
                later.append(pending)
        self._pending = later
