"""Partials that a knob takes from their ratios: stiffer strings, ranks further out of tune.

A partial's frequency is that of its ratio times 1 + s·x, x being what the knob is at, and s, its
own, by what part of its frequency a whole one would move it. So its phase is what its key has
turned, and s times what the key has turned x-fold: one number more a voice for each such knob. A
voice is rendered as moving while a knob turns; once it stands, there are tables for where it does.

Shapes: ``K`` moving voices, ``S`` control periods in ``U`` groups of ``V``, ``P`` partials; two
knobs, stretch and detuning.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD, PITCH, STRETCH, TILT
from voices.phases.phase_trajectory import (
    MAX_SHARED,
    Mask,
    Trajectory,
    cycles_along,
    middles,
    steady_trajectory,
    steepness_of,
    turned,
)
from voices.phases.steep_periods import Turning
from voices.synthesis.shares import Members, find_shares
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays

Array = NDArray[Any]


class Spread:
    """What the knobs make of some voices in one block.

    Parameters
    ----------
    members
        The voices.
    values
        What the knobs are at, at the control points, (2, S + 1, K).
    moves
        Whether any knob is on its way.
    """

    def __init__(self, members: Members, values: Array, *, moves: bool) -> None:
        self.members, self._values, self.moves = members, values, moves
        self._arrays, self._rows, self._pitches = members.arrays, members.rows, members.pitches
        self._begun = self._arrays.spread_cycles[self._rows].T
        self._factors: Array | None = None
        self._knobs = self._turned()
        """Number, values and shares of those that have moved anything."""
        self._since: list[Array] = []
        """Of each, how far the keys are ahead of where they would have been with it as it is now,
        and what that makes of the partials."""
        self._ahead: Array | None = None
        self.alone = False
        """Whether one knob is on its way, while all else stands still."""
        self._pitches_now = self._pitches if self.moves else self._pitches * self.factors[0]
        self._i_omega: NDArray[np.complex64] | None = None

    def _turned(self) -> list[tuple[int, Array, Array]]:
        members = self.members
        for knob, value in enumerate(self._values):
            members.moved[knob] = members.moved[knob] or np.count_nonzero(value) > 0
        return [
            (knob, self._values[knob], members.shares[knob])
            for knob in range(2)
            if members.moved[knob]
        ]

    def go_on(self, values: Array, steps: Sequence[float]) -> None:
        """Go on to the next block while a knob is on its way, ``steps`` a period at most."""
        self._values, self._factors = values, None
        moved = self.members.moved
        if any(step and not known for step, known in zip(steps, moved, strict=True)):
            self._knobs = self._turned()
        else:
            self._knobs = [(knob, values[knob], share) for knob, _, share in self._knobs]

    @property
    def most(self) -> float:
        """No frequency is multiplied by more."""
        most = 1.0
        for knob, value, _ in self._knobs:
            farthest = max(value.item(value.argmax()), -value.item(value.argmin()))
            most += float(farthest * self.members.most[knob])
        return most

    @property
    def factors(self) -> Array:
        """What each frequency is multiplied by, (S + 1, K, P); (1, ...): all the time."""
        if self._factors is None:
            factors: Array = np.ones((1, *self._pitches.shape))
            for _, value, share in self._knobs:
                ends = value if self.moves else value[:1]
                factors = factors + ends[:, :, None] * share
            self._factors = factors
        return self._factors

    def still_holds(self, values: Array) -> bool:
        """Whether all that is known of the block before is so in this one."""
        return not self.moves and bool((self._values[:, :1] == values).all())

    def steepness(self, ramps: Ramps, ratios: Array, weights: Array | None) -> tuple[Mask, Mask]:
        """Return what `voices.phases.phase_trajectory.steepness` does, where knobs turn as well."""
        members, most = self.members, 0.0
        for knob, _, _ in self._knobs if self.moves else ():
            most += ramps.spread_steps[knob] * members.farthest[knob]
        most *= ramps.max_ratio / CONTROL_PERIOD
        if ramps.max_slope:
            most += ramps.max_slope * min(members.highest * self.most, 0.5 / ramps.min_ratio)
        if most <= MAX_SHARED:
            return None, None
        found = np.diff(ratios, axis=0)[:, :, None]
        for _, value, share in self._knobs:
            found = found + np.diff(ratios * value, axis=0)[:, :, None] * share
        frequencies = self._arrays.frequency[self._rows][:, None] * self._pitches
        changes = np.abs(found) * (frequencies / CONTROL_PERIOD)
        if weights is not None:
            changes *= (weights[1:] > 0.0) | (weights[:-1] > 0.0)
        change = changes.max(axis=2)
        glides = (ramps.begin != ramps.end)[:, self._arrays.motion_row[self._rows], PITCH]
        return steepness_of(change, glides | (change > MAX_SHARED), weights)

    def turns_alone(self, ramps: Ramps, own: Mask) -> bool:
        """Whether one knob is on its way, not steeply, and nothing else is or has been."""
        self.alone = self.moves and len(self._knobs) == 1 and not ramps.max_slope and own is None
        return self.alone

    def turn(
        self, frame: int, ramps: Ramps, ratios: Array, begun: Array
    ) -> tuple[Trajectory, Array]:
        """Return the course of keys while one knob turns alone, and the cycles of partials.

        Theirs deviate by the knob's course, and it is that whose deviation is in the keys'.
        """
        arrays, rows = self._arrays, self._rows
        knob, value, _ = self._knobs[0]
        since = self._begun[knob]
        if arrays.latest_onset >= frame:
            since = self._since_onset(frame, ramps, ratios * value, since)
        frequency = arrays.frequency[rows]
        course, both = steady_trajectory(ramps, ratios[0], frequency, begun, value, since)
        arrays.spread_cycles[rows, knob] = both[:, 0, 1]
        pitches = self.members.both_pitches(knob)
        cycles: Array = np.empty((both.shape[1] - 1, len(both), pitches.shape[2]))
        np.matmul(both[:, 1:], pitches, out=cycles.swapaxes(0, 1))
        return course, cycles

    def _since_onset(self, frame: int, ramps: Ramps, path: Array, since: Array) -> Array:
        """Return what keys have turned x-fold as a block begins: new ones nothing at their onset.

        ``path`` is the ratios of that at the control points.
        """
        into = self._arrays.onset[self._rows] - frame
        since = since.copy()
        for voice in (into >= 0).nonzero()[0]:
            gone = turned(path[:, voice], int(into[voice]), ramps)
            since[voice] = -self._arrays.frequency[self._rows][voice] * gone
        return since

    def follow(
        self, frame: int, ramps: Ramps, ratios: Array, begun: Array, course: Trajectory, own: Mask
    ) -> Array:
        """Follow the course of the voices' keys; return the cycles of their partials.

        They are (V·U + U, K, P), as `voices.phases.chirps` wants them.
        """
        arrays, rows = self._arrays, self._rows
        if not self.moves:
            into = arrays.onset[rows] - frame
            fresh = (into >= 0).nonzero()[0] if arrays.latest_onset >= frame else ()
            return self._follow_straight(begun, course, fresh)
        cycles: Array = course.cycles[:, :, None] * self._pitches
        self._courses = []
        frequency = arrays.frequency[rows]
        for knob, value, _ in self._knobs:
            path, since = ratios * value, self._begun[knob]
            if arrays.latest_onset >= frame:
                since = self._since_onset(frame, ramps, path, since)
            along, slope = cycles_along(ramps, path, frequency, since, own)
            arrays.spread_cycles[rows, knob] = along[0]
            cycles += along[1:, :, None] * self.members.spread_pitches[knob]
            self._courses.append((along[1:], slope))
        return cycles

    def _follow_straight(self, begun: Array, course: Trajectory, fresh: Iterable[int]) -> Array:
        """Follow a course while no knob is on its way: as if all had always been where they are.

        For the rest they stay ahead by as much as they were.
        """
        cycles: Array = course.cycles[:, :, None] * self._pitches_now
        if not self._since:
            for knob, value, _ in self._knobs:
                since = self._begun[knob] - value[0] * begun
                for voice in fresh:
                    since[voice] = 0.0
                self._since.append(since)
                if since.any():
                    more = self.members.spread_pitches[knob] * since[:, None]
                    self._ahead = more if self._ahead is None else self._ahead + more
        for (knob, value, _), since in zip(self._knobs, self._since, strict=True):
            self._arrays.spread_cycles[self._rows, knob] = since + value[0] * course.end
        if self._ahead is not None:
            cycles[: len(course.slope)] += self._ahead
        return cycles

    def deviation(
        self, course: Trajectory, i_omega: NDArray[np.complex64]
    ) -> tuple[NDArray[np.complex64], NDArray[np.float32]]:
        """Return `i_omega` and the deviation that `voices.phases.chirps` wants."""
        if self.alone:
            return self.members.i_omega(self._knobs[0][0], i_omega), course.deviation
        if not self.moves:
            if self._i_omega is None:
                self._i_omega = i_omega * self.factors[0].astype(np.float32)
            return self._i_omega, course.deviation
        found = course.slope[:, :, None]
        for (_, _, share), (_, slope) in zip(self._knobs, self._courses, strict=True):
            found = found + slope[:, :, None] * share
        slopes = found.astype(np.float32).reshape(*course.shape.shape[1:4], -1)
        return i_omega * slopes, course.shape

    def steep(
        self, ratios: Array, steep: NDArray[np.bool_]
    ) -> tuple[Array, NDArray[np.complex64] | float, Sequence[Turning]]:
        """Return ratios of partials in steep periods, (N, P), their turn, and what turns them."""
        frequency, voice = self._arrays.frequency[self._rows], steep.nonzero()[1]
        apart = self._pitches[voice]
        if not self.moves:
            ahead = 1.0 if self._ahead is None else _turning(self._ahead[voice])
            return apart * self.factors[0][voice], ahead, ()
        knobs = [
            Turning(shares[voice], *middles(*known, ratios * value, frequency, steep))
            for (_, value, shares), known in zip(self._knobs, self._courses, strict=True)
        ]
        return apart, 1.0, knobs


class Spreading:
    """The voices of a bank that are, or have been, spread.

    Parameters
    ----------
    arrays, slots
        Those of the bank.
    """

    def __init__(self, arrays: VoiceArrays, slots: Sequence[Slot]) -> None:
        self._arrays, self._slots = arrays, slots
        self._last: Spread | None = None

    def of(self, rows: Rows, partials: int, ramps: Ramps) -> Spread | None:
        """Return what the knobs make of some voices in a block; None: nothing."""
        arrays = self._arrays
        if not (ramps.spread or arrays.spreading):
            return None
        motion_rows = arrays.motion_row[rows]
        by_column = ramps.path.swapaxes(1, 2)[:, STRETCH:TILT]
        values = by_column.take(motion_rows, 2).swapaxes(0, 1)
        if not (arrays.spreading or values.any()):
            return None
        last, whole = self._last, isinstance(rows, slice)
        if last is not None and whole and last.members.key == (arrays.changes, rows, partials):
            if ramps.turning and last.moves:
                last.go_on(values, ramps.spread_steps)
            elif ramps.turning or not last.still_holds(values):
                self._last = last = Spread(last.members, values, moves=ramps.turning)
            return last
        find_shares(arrays, self._slots, rows)
        made = Spread(Members(arrays, rows, partials), values, moves=ramps.turning)
        self._last = made if whole else None  # rows that are numbers are others the next time
        return made


def _turning(cycles: Array) -> NDArray[np.complex64]:
    return np.exp(2j * np.pi * (cycles - np.rint(cycles))).astype(np.complex64)
