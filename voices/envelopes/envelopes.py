"""The envelopes of a bank's voices, all computed together.

Each voice is in one segment (see `voices.envelopes.envelope_segment`). Past its attack a segment is
S + D·e^(-k·n). A block is cut into pieces of at most 64 frames, and in each the decay is
interpolated through its values at seven Chebyshev nodes: exact to 1e-7 of D as long as k times a
piece stays below `GENTLE`. The values at the nodes go on from block to block by multiplication, so
all levels of a block come from one small matrix product. Voices still in their attack, or decaying
more steeply, are evaluated frame by frame, and so is what follows a change inside a block.

Shapes: ``V`` voices, ``T`` frames, cut into ``H`` pieces of ``L`` frames; 1 + 7 values a piece.
"""

from collections.abc import Sequence
from itertools import chain
from math import log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.envelopes.attack_lines import ARRIVED, AttackLines, SegmentTimes, Shape
from voices.envelopes.envelope_segment import (
    GENTLE,
    NODES,
    PIECE,
    Releases,
    Segment,
    as_releases,
    evaluate,
    start_up,
)
from voices.phases.interpolation import chebyshev_nodes, lagrange

REFRESH_FRAMES = 4096
"""How long decays go on by multiplication before they are evaluated again."""


class Envelopes:
    """One segment per row; the rows in use come first."""

    def __init__(self, capacity: int, frames: int) -> None:
        self._lines = AttackLines((), frames)
        self._segments = np.zeros((0, len(Segment._fields)))
        self._frames = frames
        self._piece = min(frames, PIECE)
        self._steepest = GENTLE / self._piece
        self._times_of = SegmentTimes(self._steepest)
        pieces = np.arange(0, frames, self._piece)
        self._node_frames = (pieces[:, None] + chebyshev_nodes(self._piece, NODES)).reshape(-1)
        """Where the nodes lie in a block."""
        lines = lagrange(self._piece, NODES)
        self._basis = np.vstack((np.ones(self._piece), lines)).astype(np.float32)
        self.changes: list[tuple[int, Segment]] = []
        """The segments that start inside the next block, each with its row."""
        self._times = np.arange(frames, dtype=np.float32)
        self._any_exact_until = self._any_curved_until = 0.0
        self._attack_until: list[float] = []
        """By row: until when it is in its attack ..."""
        self._exact_until: list[float] = []
        """... until when it is evaluated frame by frame ..."""
        self._line: list[int | None] = []
        """... and which piece of its attack line begins with frame 0; None: it has none."""
        self._next_refresh = 0.0
        self._all_rise_until = 0.0
        """Before this frame every row follows its attack line."""
        self.grow(capacity)

    def grow(self, capacity: int) -> None:
        """Make room, keeping what is there."""
        kept, pieces = self._segments, self._frames // self._piece
        self._segments = np.zeros((capacity, kept.shape[1]))
        self._segments[: len(kept)] = kept
        for until in (self._attack_until, self._exact_until):
            until += [0.0] * (capacity - len(kept))
        self._line += [None] * (capacity - len(kept))
        self._constant: NDArray[np.float32] | None = None
        """The levels while all are constant; None: not known."""
        self._values = np.zeros((capacity, pieces, 1 + NODES))
        """The sustain level, and what is left of the decay at each node ..."""
        self._factors = np.ones((capacity, pieces, 1 + NODES))
        """... and what they are multiplied by from block to block."""
        self._narrow = np.zeros((capacity, pieces, 1 + NODES), np.float32)
        self._levels = np.zeros((capacity, self._frames), np.float32)
        self._next_refresh = 0.0
        self._views: tuple[NDArray[Any], ...] = ()
        self._views_of = 0

    def use(self, lines: AttackLines) -> None:
        """Let new notes rise along these lines; those that rise already are evaluated."""
        if lines is not self._lines:
            self._lines = lines
            self._line = [None] * len(self._line)
            self._all_rise_until = 0.0
            self._times_of.use(lines)

    def _cut_views(self, count: int) -> None:
        """Keep the views of the rows in use; cutting them costs as much as using them."""
        narrow, levels = self._narrow[:count], self._levels[:count]
        self._views_of = count
        self._views = (
            *(self._values[:count], self._factors[:count], narrow),
            *(narrow.reshape(-1, 1 + NODES), levels.reshape(-1, self._piece), levels),
        )

    def start(self, first: int, segments: Sequence[Segment], starts: NDArray[np.float64]) -> None:
        """Put new notes' first segments, and when they start, into the rows from ``first`` on."""
        count = len(segments)
        used, rise_until = slice(first, first + count), 0.0
        begins, *shape = zip(*segments, strict=True)
        if all(column.count(column[0]) == count for column in shape):
            self._segments[used] = segments[0]
            self._segments[used, 0] = starts
            rise_until = self._note_alike(used, segments[0][1:], begins)
        else:
            values = np.fromiter(chain.from_iterable(segments), np.float64, 6 * count)
            self._segments[used] = values.reshape(count, 6)
            self._note_times(range(first, first + count), segments)
            if None not in self._line[used]:
                rise_until = min(self._attack_until[used])
        self._all_rise_until = min(self._all_rise_until, rise_until) if first else rise_until

    def _note_alike(self, rows: slice, shape: Shape, starts: Sequence[int]) -> float:
        """Do as `_note_times` for segments that start from silence and are of one shape.

        Return until when all follow their attack line.
        """
        risen, exact, arrival, onset = self._times_of.first(shape)
        earliest, latest = min(starts), max(starts)
        self._attack_until[rows] = until = [start + risen for start in starts]
        self._exact_until[rows] = until if exact == risen else [start + exact for start in starts]
        self._line[rows] = [None if onset is None else onset - start for start in starts]
        self._any_curved_until = max(self._any_curved_until, latest + arrival)
        self._any_exact_until = max(self._any_exact_until, latest + exact)
        self._next_refresh = min(self._next_refresh, earliest + exact)
        self._constant = None
        return 0.0 if onset is None else earliest + risen

    def _note_times(self, rows: Sequence[int], segments: Sequence[Segment]) -> None:
        """Note until when segments that have just been put into rows rise, are steep and change."""
        times, exacts, latest = self._times_of, [], self._any_curved_until
        for row, segment in zip(rows, segments, strict=True):
            start, shape = segment[0], segment[1:]
            first = shape[0] == 0.0
            attack, exact, arrival, onset = times.first(shape) if first else times.later(shape)
            self._attack_until[row] = start + attack
            self._exact_until[row] = exact = start + exact
            self._line[row] = None if onset is None else onset - start
            exacts.append(exact)
            if start + arrival > latest:
                latest = start + arrival
        self._any_curved_until = latest
        self._any_exact_until = max(self._any_exact_until, *exacts)
        self._next_refresh = min(self._next_refresh, *exacts)
        self._constant = None

    def remove(self, row: int, last: int) -> None:
        """Take out a row and put the last one in use in its place."""
        for array in (self._segments, self._values, self._factors):
            array[row] = array[last]
        self._constant = None
        self._attack_until[row] = self._attack_until[last]
        self._exact_until[row] = self._exact_until[last]
        self._line[row] = self._line[last]
        if self.changes:
            kept = (change for change in self.changes if change[0] != row)
            self.changes = [(row if of == last else of, segment) for of, segment in kept]
        if last == 0:
            self._any_exact_until = self._any_curved_until = 0.0

    def levels(self, frame: int, count: int) -> NDArray[np.float32]:
        """Return the levels from ``frame`` on: shape (V, T), or (V, 1) when all are constant."""
        exact = frame < self._any_exact_until
        if not (exact or self.changes or frame < self._any_curved_until):
            if self._constant is None or len(self._constant) != count:
                self._constant = self._segments[:count, 4:5].astype(np.float32)
            return self._constant
        if frame < self._all_rise_until and not self.changes:
            places = [line + frame for line in self._line[:count] if line is not None]
            return self._lines.pieces[places]
        if frame >= self._next_refresh:
            self._refresh(frame, count)
        if self._views_of != count:
            self._cut_views(count)
        values, factors, narrow, each, pieces, levels = self._views
        narrow[...] = values
        each.dot(self._basis, pieces)
        values *= factors
        if exact:
            self._overwrite_exactly(frame, levels)
        while self.changes:
            self._apply_changes(frame, levels)
        return levels

    def _apply_changes(self, frame: int, levels: NDArray[np.float32]) -> None:
        """Start the segments that begin in this block, the first of every row."""
        rows, segments = zip(*self.changes, strict=True)
        if len(set(rows)) == len(rows):
            self.changes = []
        else:
            now = dict(reversed(dict(reversed(self.changes)).items()))
            self.changes = [each for each in self.changes if now[each[0]] is not each[1]]
            rows, segments = tuple(now), tuple(now.values())
        self._all_rise_until = 0.0
        in_one_piece = rows == tuple(range(rows[0], rows[-1] + 1))
        here = slice(rows[0], rows[-1] + 1) if in_one_piece else list(rows)
        changed = levels[here]
        releases = as_releases(segments) if len(rows) > 1 else None
        if releases is not None and max(releases.rates) <= self._steepest:
            self._note_releases(here, releases)
            values = releases.start_up(frame, self._times, changed)
        else:
            self._note_times(rows, segments)
            values = np.fromiter(chain.from_iterable(segments), np.float64, 6 * len(rows))
            values = values.reshape(-1, 6)
            start_up(values, frame, self._times, changed)
        self._segments[here] = values
        if not in_one_piece:
            levels[here] = changed

    def _note_releases(self, rows: slice | list[int], releases: Releases) -> None:
        """Do as `_note_times` for releases, none of them steep."""
        earliest, latest = min(releases.starts), max(releases.starts)
        if isinstance(rows, slice):
            self._attack_until[rows] = self._exact_until[rows] = releases.starts
            self._line[rows] = [None] * len(releases.starts)
        else:
            for row, start in zip(rows, releases.starts, strict=True):
                self._attack_until[row] = self._exact_until[row] = start
                self._line[row] = None
        fallen = latest + log(max(max(releases.levels) / ARRIVED, 1.0)) / min(releases.rates)
        self._any_curved_until = max(self._any_curved_until, fallen)
        self._any_exact_until = max(self._any_exact_until, latest)
        self._next_refresh = min(self._next_refresh, earliest)
        self._constant = None

    def _overwrite_exactly(self, frame: int, levels: NDArray[np.float32]) -> None:
        """Overwrite the levels of voices in their attack, and of steep ones."""
        rows, rising, places = [], [], []
        for row in range(len(levels)):
            if self._exact_until[row] > frame:
                line = self._line[row]
                if line is not None and self._attack_until[row] > frame:
                    rising.append(row)
                    places.append(line + frame)
                else:
                    rows.append(row)
        if rising:
            levels[rising] = self._lines.pieces[places]
        if rows:
            levels[rows] = self._evaluate(rows, frame)

    def _evaluate(self, rows: list[int], frame: int) -> NDArray[np.float32]:
        """Return the levels of some rows, frame by frame."""
        risen = [self._attack_until[row] for row in rows]
        rising, decaying = max(risen) > frame, min(risen) < frame + self._frames
        return evaluate(self._segments[rows], frame, self._times, rising=rising, decaying=decaying)

    def _refresh(self, frame: int, count: int) -> None:
        """Evaluate what is left of every decay at ``frame``, and how it falls over a block."""
        start, _, peak, attack, sustain, rate = self._segments[:count].T
        age = frame - start - attack
        self._next_refresh = frame + REFRESH_FRAMES
        coming = [until for until in self._exact_until[:count] if until > frame]
        if coming:
            self._next_refresh = min(self._next_refresh, *coming)
            np.maximum(age, 0.0, out=age)  # their decay begins when they have risen
        distance = (peak - sustain) * np.exp(-rate * age)
        distance[np.abs(distance) < ARRIVED] = 0.0
        if not distance.any() and not coming:
            self._any_curved_until = 0.0
        values, factors = self._values[:count], self._factors[:count]
        values[..., 0] = sustain[:, None]
        if not distance.any():
            values[..., 1:] = 0.0
            return
        left = np.exp(rate[:, None] * -self._node_frames)
        left *= distance[:, None]
        values[..., 1:] = left.reshape(count, -1, NODES)
        factors[..., 1:] = np.exp(rate * -self._frames)[:, None, None]
