"""The envelopes of a bank's voices, all at once.

A voice is in one segment (see `voices.synthesis.envelope_segment`). Past its attack a segment is S
+ D·e^(-k·n). A block is cut into pieces of at most 64 frames, and in each the decay is drawn
through its values at seven Chebyshev nodes: exact to 1e-7 of D as long as k times a piece stays
below `GENTLE`. The values themselves go on from block to block by multiplication. So every level of
a block comes of one small matrix product and no exponential. Voices still in their attack, or
steeper, are evaluated frame by frame, and so is what follows a change inside a block.

Shapes: ``V`` voices, ``T`` frames, cut into ``H`` pieces of ``L`` frames; 1 + 7 values a piece.
"""

from collections.abc import Sequence
from functools import cache
from math import log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.synthesis.envelope_segment import Segment, evaluate

OVER = 1e-7
"""A decay this near its goal is over."""
EXACT_FRAMES = 4096
"""How long a decay is carried on from block to block before it is worked out anew."""
PIECE = 64
NODES = 7
GENTLE = 1.2
"""The interpolation's error is (k·L/2)^7 / (7!·2^6): 9e-8 here."""


class Envelopes:
    """One segment a row, the first ``count`` in use."""

    def __init__(self, capacity: int, frames: int) -> None:
        self.columns = np.zeros((0, len(Segment._fields)))
        self._frames = frames
        self._piece = min(frames, PIECE)
        self._steepest = GENTLE / self._piece
        nodes = _nodes(self._piece)
        self._places = (np.arange(0, frames, self._piece)[:, None] + nodes).reshape(-1)
        """The nodes' places in a block, in frames."""
        self._basis = _basis(self._piece)
        self._changes: list[tuple[int, Segment]] = []
        self._rising_until = self._curved_until = 0.0
        self._rises_until: list[float] = []
        """By row: until when it is on its way to its peak ..."""
        self._exact_until: list[float] = []
        """... and until when it is evaluated frame by frame."""
        self._next_carry = 0.0
        self.grow(capacity)

    def grow(self, capacity: int) -> None:
        """Make room, keeping what is there."""
        kept, pieces = self.columns, self._frames // self._piece
        self.columns = np.zeros((capacity, kept.shape[1]))
        self.columns[: len(kept)] = kept
        for until in (self._rises_until, self._exact_until):
            until += [0.0] * (capacity - len(kept))
        self._rest: NDArray[np.float32] | None = None
        """The levels at which every voice rests; None: to be found out."""
        self._values = np.zeros((capacity, pieces, 1 + NODES))
        """The sustain level, and what is left of the decay at each node ..."""
        self._fall = np.ones((capacity, pieces, 1 + NODES))
        """... and how they fall from block to block."""
        self._narrow = np.zeros((capacity, pieces, 1 + NODES), np.float32)
        self._levels = np.zeros((capacity, self._frames), np.float32)
        self._next_carry = 0.0
        self._views: tuple[NDArray[Any], ...] = ()
        self._views_of = 0

    def _cut_views(self, count: int) -> None:
        """Keep the views of the rows in use; cutting them anew would cost as much as their use."""
        narrow, levels = self._narrow[:count], self._levels[:count]
        self._views_of = count
        self._views = (
            *(self._values[:count], self._fall[:count], narrow),
            *(narrow.reshape(-1, 1 + NODES), levels.reshape(-1, self._piece), levels),
        )

    def start(self, first: int, segments: Sequence[Segment]) -> None:
        """Put new notes' first segments into the rows from ``first`` on."""
        rows = range(first, first + len(segments))
        self.columns[first : rows.stop] = segments
        self._put(rows, segments)
        for segment in segments:
            self._watch(segment)

    def _put(self, rows: Sequence[int], segments: Sequence[Segment]) -> None:
        """Take account of segments that have just come into rows."""
        self._rest = None
        for row, segment in zip(rows, segments, strict=True):
            until = self._rises_until[row] = segment.start + segment.attack
            if segment.rate > self._steepest:
                until = max(until, _over(segment))
            self._exact_until[row] = until
            self._next_carry = min(self._next_carry, until)

    def move(self, source: int, target: int) -> None:
        """Copy one row to another."""
        for array in (self.columns, self._values, self._fall):
            array[target] = array[source]
        self._rest = None
        for until in (self._rises_until, self._exact_until):
            until[target] = until[source]

    def change(self, row: int, segment: Segment) -> None:
        """Start another segment in a row, inside the next block."""
        self._changes.append((row, segment))
        self._watch(segment)

    def _watch(self, segment: Segment) -> None:
        """Keep account of until when some voice rises, and some voice is not yet level."""
        over, until = _over(segment), segment.start + segment.attack
        if segment.rate > self._steepest:
            until = over
        self._rising_until = max(self._rising_until, until)
        self._curved_until = max(self._curved_until, over)

    def levels(self, frame: int, count: int) -> NDArray[np.float32]:
        """Return the levels from ``frame`` on: shape (V, T), or (V, 1) when all are constant."""
        rising = frame < self._rising_until
        if not (rising or self._changes or frame < self._curved_until):
            if self._rest is None or len(self._rest) != count:
                self._rest = self.columns[:count, 4:5].astype(np.float32)
            return self._rest
        if frame >= self._next_carry:
            self._carry(frame, count)
        if self._views_of != count:
            self._cut_views(count)
        values, fall, narrow, each, pieces, levels = self._views
        narrow[...] = values
        each.dot(self._basis, pieces)
        values *= fall
        if rising:
            self._rise(frame, levels)
        while self._changes:
            self._change(frame, levels)
        return levels

    def _change(self, frame: int, levels: NDArray[np.float32]) -> None:
        """Go over to the segments that begin in this block, of every row the first."""
        now: dict[int, Segment] = {}
        later = []
        for row, segment in self._changes:
            if row in now:
                later.append((row, segment))
            else:
                now[row] = segment
        self._changes = later
        rows, segments = list(now), list(now.values())
        self.columns[rows] = segments
        self._put(rows, segments)
        changed = self._evaluate(rows, frame)
        for (row, segment), new in zip(now.items(), changed, strict=True):
            first = int(segment.start) - frame
            levels[row, first:] = new[first:]

    def _rise(self, frame: int, levels: NDArray[np.float32]) -> None:
        """Evaluate the voices still in their attack frame by frame."""
        rows = [row for row in range(len(levels)) if self._exact_until[row] > frame]
        if rows:
            levels[rows] = self._evaluate(rows, frame)

    def _evaluate(self, rows: list[int], frame: int) -> NDArray[np.float32]:
        """Return the levels of some rows, frame by frame."""
        peaks = [self._rises_until[row] for row in rows]
        frames = np.arange(frame, frame + self._frames, dtype=np.float64)
        rises, decays = max(peaks) > frame, min(peaks) < frame + self._frames
        return evaluate(self.columns[rows], frames, rises=rises, decays=decays)

    def _carry(self, frame: int, count: int) -> None:
        """Work out what is left of every decay at ``frame``, and how it falls over a block."""
        start, _, peak, attack, sustain, rate = self.columns[:count].T
        age = frame - start - attack
        self._next_carry = frame + EXACT_FRAMES
        rising = [until for until in self._exact_until[:count] if until > frame]
        if rising:
            self._next_carry = min(self._next_carry, *rising)
            np.maximum(age, 0.0, out=age)  # what they decay from begins when they have risen
        distance = (peak - sustain) * np.exp(-rate * age)
        distance[np.abs(distance) < OVER] = 0.0
        left = np.exp(rate[:, None] * -self._places)
        left *= distance[:, None]
        values, fall = self._values[:count], self._fall[:count]
        values[..., 0] = sustain[:, None]
        values[..., 1:] = left.reshape(count, -1, NODES)
        fall[..., 1:] = np.exp(rate * -self._frames)[:, None, None]


def _over(segment: Segment) -> float:
    """Return the frame from which a segment is as good as level."""
    settled = segment.start + segment.attack
    distance = abs(segment.peak - segment.sustain)
    return settled + log(distance / OVER) / segment.rate if distance > OVER else settled


def _nodes(frames: int) -> NDArray[np.float64]:
    """Return the Chebyshev nodes of a piece, in frames from its start."""
    return (frames - 1) / 2 * (1 - np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES))


@cache
def _basis(frames: int) -> NDArray[np.float32]:
    """Return what a piece is a sum of: ones, and each node's Lagrange polynomial, (1 + 7, L)."""
    basis, nodes = np.ones((1 + NODES, frames)), _nodes(frames)
    for place, node in enumerate(nodes):
        for other in np.delete(nodes, place):
            basis[1 + place] *= (np.arange(frames) - other) / (node - other)
    return basis.astype(np.float32)
