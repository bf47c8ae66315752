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

from collections.abc import Iterator, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD, PITCH, Smoother
from voices.phases.periods import MOST_NODES, ROOM, PeriodReader
from voices.phases.phase_trajectory import along_block
from voices.phases.phasor_tables import FADE_START
from voices.phases.warped_time import runs
from voices.synthesis.drawn_periods import Drawn, DrawnPeriods
from voices.synthesis.moving_voices import MovingVoices
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays
from voices.synthesis.warped_group import rows_of
from voices.timbres.harmonic_series import MOST

Array = NDArray[Any]


class Partials(NamedTuple):
    """How many partials of each voice are rendered that is not read."""

    before: int
    """In the block before, ..."""
    now: int
    """... in this one, and ..."""
    whole: int
    """... if there is time for all."""

    @property
    def all_there(self) -> bool:
        """Whether none is left out, or has just been."""
        return self.before == self.now == self.whole


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


class _Read(NamedTuple):
    """Voices that are read."""

    slots: list[Slot]
    rows: Rows
    """Theirs in the bank, ..."""
    motion_rows: NDArray[np.intp]
    """... and in `Smoother`."""
    frequency: Array
    """Of their keys, ..."""
    highest: float
    """... and of the highest partial among them, not bent."""
    since: int
    """The frame of the oldest spectrum among them."""
    lines: list[_Lines]


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
        """What the next three are of: changes of rows, the voices that move, and the choice."""
        self._read: _Read | None = None
        self._others = np.zeros(0, np.intp)
        """Moving voices that are not read, or not to the end of the block, ..."""
        self._begun: _Read | None = None
        """... and the latter."""
        self._last: tuple[int, list[Slot]] = 0, []
        """Where the block ended in which voices were read, and which."""

    def keep(self, moving: NDArray[np.intp], frame: int) -> NDArray[np.intp]:
        """Return the voices that move, and those that were read in the block before."""
        until, slots = self._last
        rows = {slot.index for slot in slots if until == frame and slot in self._drawn.of}
        return np.array(sorted(rows.union(moving.tolist())), np.intp)

    def render(
        self,
        moving: NDArray[np.intp],
        partials: Partials,
        frame: int,
        ramps: Ramps | None,
        wave: Array,
    ) -> tuple[NDArray[np.intp], list[tuple[Rows, int, Array]]]:
        """Render those that can be read into their rows of ``wave``; return the others.

        And, of those among them that can be read in a part of the block, what is to be put over
        their sound when it has been rendered: rows, the frame of the block where it begins, and
        their sound.

        The shape of the wave: (V, Z, T). While some ``partials`` of the others are left out, a
        voice fades over the first block in which it is read, and over the first in which it is not.
        """
        if not self._drawn.of:
            return moving, []
        known = self._arrays.changes, moving.tobytes(), self._drawn.choices
        if known != self._known or self._may_have_changed():
            self._find(moving.tolist(), frame)
            self._known = known
        read, others, partly = self._read, self._others, self._begun
        if read is not None and ramps and read.highest * ramps.max_ratio > FADE_START:
            read, others, partly = None, moving, read
        until, slots = self._last
        all_there = partials.all_there
        were_read = set(slots) if until == frame and not all_there else set[Slot]()
        if read is not None:
            begin = [] if all_there else [s.index for s in read.slots if s not in were_read]
            self._render(read, sorted(begin), partials, frame, ramps, wave)
        if ramps is None:
            return others, []
        if all_there:
            return others, list(self._parts(partly, frame, ramps, wave)) if partly else []
        rows = [row for row in others.tolist() if self._slots[row] in were_read]
        if rows:
            self._moving.render(np.array(rows), partials.whole, partials.now, frame, ramps, wave)
            others = np.array([row for row in others.tolist() if row not in rows], np.intp)
        return others, []

    def _parts(
        self, read: _Read, frame: int, ramps: Ramps, wave: Array
    ) -> Iterator[tuple[Rows, int, Array]]:
        """Yield rows, frames and sound of voices in the control periods in which they are read."""
        keys, along, _ = self._turning(read, frame, ramps)
        apart = np.empty_like(wave)
        self._draw(read, keys, along, apart)
        highest = ramps.pitch_ratio.take(read.motion_rows, 1) * self._arrays.highest[read.rows]
        low, length = highest <= FADE_START, ramps.sub_block_frames
        ends = frame + length * np.arange(1, len(low))
        for place, slot in enumerate(read.slots):
            until = self._drawn.stands_until(slot, self._drawn.of[slot].chosen)
            fits = low[:-1, place] & low[1:, place] & (ends <= until)
            rows = slice(slot.index, slot.index + 1)
            for first, last in runs(fits.tolist()):
                yield rows, first * length, apart[rows, :, first * length : last * length]

    def _render(
        self,
        read: _Read,
        begin: list[int],
        partials: Partials,
        frame: int,
        ramps: Ramps | None,
        wave: Array,
    ) -> None:
        """Render voices that are read; those in the rows ``begin`` fade to it."""
        arrays, rows = self._arrays, read.rows
        keys, along, end = self._turning(read, frame, ramps)
        if begin and ramps is not None:
            self._moving.render(np.array(begin), partials.before, partials.now, frame, ramps, wave)
            fewer = wave[begin]
        self._draw(read, keys, along, wave)
        if begin and ramps is not None:
            rise = np.arange(self._frames, dtype=np.float32) / np.float32(self._frames)
            wave[begin] = fewer + (wave[begin] - fewer) * rise
        arrays.cycles[rows] = end.dot(keys)
        arrays.as_of[rows] = frame + self._frames
        arrays.stale[rows] = True
        self._last = frame + self._frames, read.slots

    def _turning(self, read: _Read, frame: int, ramps: Ramps | None) -> tuple[Array, Array, Array]:
        """Return the pitch of keys along a block, and the cycles they turned before, (S + 2, K).

        And what `along_block` makes of it.
        """
        arrays, rows = self._arrays, read.rows
        count = max(1, self._frames // CONTROL_PERIOD)
        if ramps is None:
            cents = self._smoother.values[read.motion_rows, PITCH]
            ratios, offset = np.exp2(cents / 1200.0)[None].repeat(count + 1, axis=0), 0
        else:
            ratios, offset = ramps.pitch_ratio.take(read.motion_rows, 1), ramps.offset
        arrays.catch_up(rows, frame)
        keys = np.empty((count + 2, len(read.slots)))
        np.multiply(ratios, read.frequency, out=keys[:-1])
        keys[-1] = arrays.cycles[rows]
        return keys, *along_block(count, self._frames // count, offset)

    def _draw(self, read: _Read, keys: Array, along: Array, wave: Array) -> None:
        reader, periods = self._reader, self._drawn.periods
        for lines in read.lines:
            turning = keys[:, lines.members] * lines.nodes
            reader.locate(turning.T, along, periods.nodes, lines.origins)
            for side, those in enumerate(periods.sides):
                heard = reader.read(those).reshape(-1, self._frames)
                if lines.more is None:
                    wave[lines.rows, side] = heard
                else:
                    wave[lines.rows, side] = heard[: lines.voices]
                    wave[lines.more, side] += heard[lines.voices :]

    def _may_have_changed(self) -> bool:
        """Return whether the spectrum of any voice that is read may have changed."""
        respun = self._smoother.respun
        if not respun or self._read is None:
            return self._begun is not None
        return max(respun.values(), key=itemgetter(1))[1] > self._read.since

    def _find(self, moving: list[int], frame: int) -> None:
        """Find which of the moving voices are read, and where."""
        read, begun, others = list[Drawn](), list[Drawn](), list[int]()
        for row in moving:
            drawn = self._drawn.of.get(self._slots[row])
            stands = float(frame)
            if drawn and drawn.due <= frame:
                stands = self._drawn.stands_until(drawn.slot, drawn.chosen)
            if drawn and stands >= frame + self._frames:
                read.append(drawn)
                continue
            others.append(row)
            if drawn and stands > frame:
                begun.append(drawn)
        self._others = np.array(others, np.intp)
        self._read = self._together(read) if read else None
        self._begun = self._together(begun) if begun else None

    def _together(self, read: Sequence[Drawn]) -> _Read:
        slots = [each.slot for each in read]
        rows = rows_of([slot.index for slot in slots])
        most = max(1, ROOM // self._frames // MOST)
        return _Read(
            slots=slots,
            rows=rows,
            motion_rows=self._arrays.motion_row[rows],
            frequency=self._arrays.frequency[rows],
            highest=float(self._arrays.highest[rows].max()),
            since=min(each.chosen for each in read),
            lines=[self._lines(read, k, k + most) for k in range(0, len(read), most)],
        )

    def _lines(self, read: Sequence[Drawn], begin: int, end: int) -> _Lines:
        """Return the lines of some of the voices that are read."""
        some, nodes = range(begin, min(end, len(read))), self._drawn.periods.nodes
        having = [place for place in some if len(read[place].places) > 1]
        each = [(place, 0) for place in some] + [(place, 1) for place in having]
        series = [read[place].slot.timbre.series[order] for place, order in each]
        origins = np.array([read[place].places[order] * MOST_NODES for place, order in each])
        return _Lines(
            rows=rows_of([read[place].slot.index for place in some]),
            voices=len(some),
            more=rows_of([read[place].slot.index for place in having]) if having else None,
            members=np.array([place for place, _ in each]) if having else slice(begin, some.stop),
            nodes=np.array([of.fundamental for of in series]) * nodes,
            origins=origins.repeat(self._frames),
        )
