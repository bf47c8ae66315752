"""Voices whose pitch moves and whose partials are harmonic, read along their phase.

Such a voice is one period over and over, or the sum of two where two of its ranks are apart. It is
rendered as any other that moves while its periods are drawn (see `voices.synthesis.drawn_periods`).
From then on it costs as much as its samples, whatever its partials, and follows vibrato, bends and
glides alike, each note its own. All others that move are left to `voices.synthesis.warped_voices`.

Leaving partials out would save nothing here. So where there is no time for all of them, voices that
are read keep theirs, and go on being read when they come to rest.

Units: frames, cycles. Shapes: ``K`` voices that are read, ``Z`` sides, ``S`` control periods, ``T``
frames a block.
"""

from collections.abc import Sequence
from functools import lru_cache
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD, PITCH, Smoother
from voices.phases.harmonic_series import MOST
from voices.phases.periods import ROOM, PeriodReader
from voices.phases.phasor_tables import FADE_START
from voices.synthesis.drawn_periods import Drawn, DrawnPeriods
from voices.synthesis.moving_voices import MovingVoices
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays
from voices.synthesis.warped_group import rows_of

Array = NDArray[Any]


class _Lines(NamedTuple):
    """The series of some voices, as many as are read at once: the first ones, then the second."""

    rows: Rows
    """Of the voices in the bank."""
    voices: int
    """So many they are."""
    more: Rows | None
    """Of those among them that have a second one; None: none has."""
    members: Rows
    """The voice of each line among those that are read."""
    nodes: Array
    """How many each goes by in a cycle of the key, (L,)."""
    origins: NDArray[np.intp]
    """Where the first ones are, (LT,)."""


class PeriodicVoices:
    """Those of a bank."""

    def __init__(
        self,
        arrays: VoiceArrays,
        slots: Sequence[Slot],
        frames: int,
        smoother: Smoother,
        drawn: DrawnPeriods,
        moving: MovingVoices,
        reader: PeriodReader,
    ) -> None:
        self._arrays = arrays
        self._slots = slots
        self._frames = frames
        self._smoother = smoother
        self._drawn = drawn
        self._moving = moving
        self._reader = reader
        self._known: tuple[int, bytes, int] | None = None
        """What the lines are of: changes of rows, the voices that move, and the choice."""
        self._lines: list[_Lines] = []
        self._others = np.zeros(0, np.intp)
        """Moving voices that are not read."""
        self._slots_read: list[Slot] = []
        """Those that are, ..."""
        self._rows: Rows = slice(0)
        """... their rows, those in `Smoother`, their keys' frequencies, ..."""
        self._motion_rows = self._others
        self._frequency = np.zeros(0)
        self._highest = 0.0
        """... that of their highest partial, both not bent, ..."""
        self._since = 0
        """... and the frame of the oldest spectrum among them."""
        self._last: tuple[int, list[Slot]] = 0, []
        """Where the block ended in which voices were read, and these."""

    def keep(self, moving: NDArray[np.intp], frame: int) -> NDArray[np.intp]:
        """Return the voices that move, and those that were read in the block before."""
        until, slots = self._last
        rows = {slot.index for slot in slots if until == frame and slot in self._drawn.of}
        return np.array(sorted(rows.union(moving.tolist())), np.intp)

    def render(
        self,
        moving: NDArray[np.intp],
        partials: tuple[int, int, int],
        frame: int,
        ramps: Ramps | None,
        wave: Array,
    ) -> NDArray[np.intp]:
        """Render those that can be read into their rows of ``wave``; return the others.

        The shape of the wave: (V, Z, T). Of voices that are not read so many ``partials`` are
        rendered before this block, after it, and of each in all. Where some are left out, a voice
        that begins or ends to be read fades over this block.
        """
        if not self._drawn.of:
            return moving
        known = self._arrays.changes, moving.tobytes(), self._drawn.choices
        if known != self._known or self._may_have_changed():
            self._find_lines(moving.tolist(), frame)
            self._known = known
        until, slots = self._last
        were_read = set(slots) if until == frame and min(partials) < partials[2] else set[Slot]()
        if self._lines and self._highest * self._most(ramps) <= FADE_START:
            others = self._others
            begin = self._rows_that_begin(partials, were_read)
            self._read(begin, partials, frame, ramps, wave)
        else:
            others = moving
        if were_read and ramps is not None:
            rows = [row for row in others.tolist() if self._slots[row] in were_read]
            if rows:
                _, now, whole = partials
                self._moving.render(np.array(rows), whole, now, frame, ramps, wave)
                others = np.array([row for row in others.tolist() if row not in rows], np.intp)
        return others

    def _most(self, ramps: Ramps | None) -> float:
        """Return what frequency ratio none of the voices exceeds."""
        if ramps is not None:
            return ramps.max_ratio
        return float(np.exp2(self._smoother.values[self._motion_rows, PITCH].max() / 1200.0))

    def _rows_that_begin(self, partials: tuple[int, int, int], were_read: set[Slot]) -> list[int]:
        """Return the rows of those that are read, had not been, and fade from fewer partials."""
        if min(partials) == partials[2]:
            return []
        return sorted(slot.index for slot in self._slots_read if slot not in were_read)

    def _read(
        self,
        begin: list[int],
        partials: tuple[int, int, int],
        frame: int,
        ramps: Ramps | None,
        wave: Array,
    ) -> None:
        """Read all voices that can be; those that begin with it fade to it."""
        arrays, rows = self._arrays, self._rows
        count = max(1, self._frames // CONTROL_PERIOD)
        if ramps is None:
            cents = self._smoother.values[self._motion_rows, PITCH]
            ratios, offset = np.exp2(cents / 1200.0)[None].repeat(count + 1, axis=0), 0
        else:
            ratios, offset = ramps.pitch_ratio.take(self._motion_rows, 1), ramps.offset
        along, end = _along(count, self._frames // count, offset)
        if not all(arrays.stale[rows].tolist()):
            arrays.catch_up(rows, frame)
        keys = np.empty((len(along), len(self._slots_read)))
        np.multiply(ratios, self._frequency, out=keys[:-1])
        keys[-1] = arrays.cycles[rows]
        if begin and ramps is not None:
            before, now, _ = partials
            self._moving.render(np.array(begin), before, now, frame, ramps, wave)
            fewer = wave[begin]
        reader, periods = self._reader, self._drawn.periods
        for lines in self._lines:
            turning = keys[:, lines.members] * lines.nodes
            reader.locate(turning.T, along, periods.nodes, lines.origins)
            for side, those in enumerate(periods.sides):
                heard = reader.read(those).reshape(-1, self._frames)
                if lines.more is None:
                    wave[lines.rows, side] = heard
                else:
                    wave[lines.rows, side] = heard[: lines.voices]
                    wave[lines.more, side] += heard[lines.voices :]
        if begin and ramps is not None:
            rise = np.arange(self._frames, dtype=np.float32) / np.float32(self._frames)
            wave[begin] = fewer + (wave[begin] - fewer) * rise
        arrays.cycles[rows] = end.dot(keys)
        arrays.as_of[rows] = frame + self._frames
        arrays.stale[rows] = True
        self._last = frame + self._frames, self._slots_read

    def _may_have_changed(self) -> bool:
        """Return whether the spectrum of any voice that is read may have changed."""
        respun = self._smoother.respun
        return bool(respun) and max(respun.values(), key=itemgetter(1))[1] > self._since

    def _find_lines(self, moving: list[int], frame: int) -> None:
        """Find which of the moving voices are read, and where."""
        read, others = list[Drawn](), list[int]()
        for row in moving:
            drawn = self._drawn.of.get(self._slots[row])
            if drawn and drawn.due <= frame and self._drawn.has_stood(drawn.slot, drawn.chosen):
                read.append(drawn)
            else:
                others.append(row)
        self._lines, self._others = [], np.array(others, np.intp)
        if not read:
            return
        self._since = min(each.chosen for each in read)
        self._slots_read = [each.slot for each in read]
        self._rows = rows_of([slot.index for slot in self._slots_read])
        self._motion_rows = self._arrays.motion_row[self._rows]
        self._frequency = self._arrays.frequency[self._rows]
        self._highest = float(self._arrays.highest[self._rows].max())
        most = max(1, ROOM // self._frames // MOST)
        for begin in range(0, len(read), most):
            self._lines.append(self._some_lines(read, begin, begin + most))

    def _some_lines(self, read: Sequence[Drawn], begin: int, end: int) -> _Lines:
        """Return the lines of some of the voices that are read."""
        some, nodes = range(begin, min(end, len(read))), self._drawn.periods.nodes
        having = [place for place in some if len(read[place].places) > 1]
        each = [(place, 0) for place in some] + [(place, 1) for place in having]
        series = [read[place].slot.timbre.series[order] for place, order in each]
        origins = np.array([read[place].places[order] * nodes for place, order in each])
        return _Lines(
            rows=rows_of([read[place].slot.index for place in some]),
            voices=len(some),
            more=rows_of([read[place].slot.index for place in having]) if having else None,
            members=np.array([place for place, _ in each]) if having else slice(begin, some.stop),
            nodes=np.array([of.fundamental for of in series]) * nodes,
            origins=origins.repeat(self._frames),
        )


@lru_cache(maxsize=64)
def _along(count: int, frames: int, offset: int) -> tuple[Array, Array]:
    """Return what turns a key's pitch into the cycles it has turned at every frame, and at the end.

    The pitch is given at the ends of ``count`` control periods, and after it the cycles that were
    turned before: (S + 2, T) and (S + 2,).
    """
    begin, end = np.eye(count + 1)[:-1], np.eye(count + 1)[1:]
    slope = (end - begin) / CONTROL_PERIOD
    times = np.arange(frames + 1)[:, None, None]
    inside = times * (begin + slope * (offset + times / 2))  # (frames + 1, S, S + 1)
    before = np.cumsum(inside[-1], axis=0) - inside[-1]
    turned = (before + inside[:-1]).swapaxes(0, 1).reshape(-1, count + 1)
    turned = np.concatenate([turned, inside[-1].sum(axis=0)[None]])
    both = np.concatenate([turned, np.ones((len(turned), 1))], axis=1).T
    return np.ascontiguousarray(both[:, :-1]), both[:, -1].copy()
