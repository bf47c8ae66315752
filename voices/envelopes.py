"""The envelopes of a bank's voices, all at once.

A voice is in one segment (see `voices.segment`). Past its attack a segment is S + D·e^(-k·n),
whose exponential over a block is a product of one column and one row of a grid, so that a block
of levels costs two multiplications a frame and no exponential. Voices still in their attack are
evaluated frame by frame, and so is what follows a change inside a block.

Shapes: ``V`` voices, ``T`` frames, cut into ``R`` rows of ``C`` columns.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.segment import Segment, evaluate
from voices.tables import shape_of

OVER = 1e-7
"""A decay this near its goal is over."""


class Envelopes:
    """One segment a row, the first ``count`` in use."""

    def __init__(self, capacity: int, frames: int) -> None:
        self.columns = np.zeros((capacity, len(Segment._fields)))
        self._frames = frames
        rows, columns = shape_of(frames)
        self._grid = np.concatenate([np.arange(rows) * columns, np.arange(columns)])
        self._rows = rows
        self._levels = np.zeros((capacity, rows, columns), np.float32)
        self._sustain = np.zeros((capacity, 1), np.float32)
        self._changes: list[tuple[int, Segment]] = []
        self._rising_until = self._curved_until = 0.0

    def grow(self, capacity: int) -> None:
        """Make room, keeping what is there."""
        kept = self.columns
        self.columns = np.zeros((capacity, kept.shape[1]))
        self.columns[: len(kept)] = kept
        self._levels = np.zeros((capacity, *self._levels.shape[1:]), np.float32)
        self._sustain = self.columns[:, 4:5].astype(np.float32)

    def start(self, row: int, segment: Segment) -> None:
        """Put a new note's first segment into a row."""
        self._put(row, segment)
        self._watch(segment)

    def _put(self, row: int, segment: Segment) -> None:
        self.columns[row] = segment
        self._sustain[row] = segment.sustain

    def move(self, source: int, target: int) -> None:
        """Copy one row to another."""
        self.columns[target] = self.columns[source]
        self._sustain[target] = self._sustain[source]

    def change(self, row: int, segment: Segment) -> None:
        """Start another segment in a row, inside the next block."""
        self._changes.append((row, segment))
        self._watch(segment)

    def _watch(self, segment: Segment) -> None:
        """Keep account of until when some voice rises, and some voice is not yet level."""
        settled = segment.start + segment.attack
        self._rising_until = max(self._rising_until, settled)
        distance = abs(segment.peak - segment.sustain)
        if distance > OVER:
            self._curved_until = max(
                self._curved_until, settled + np.log(distance / OVER) / segment.rate
            )

    def levels(self, frame: int, count: int) -> NDArray[np.float32]:
        """Return the levels from ``frame`` on: shape (V, T), or (V, 1) when all are constant."""
        rising = frame < self._rising_until
        if not (rising or self._changes or frame < self._curved_until):
            return self._sustain[:count]
        levels = self._settled_levels(frame, count)
        if rising:
            columns = self.columns[:count]
            rows = np.flatnonzero(columns[:, 0] + columns[:, 3] > frame)
            if len(rows):
                frames = np.arange(frame, frame + self._frames, dtype=np.float64)
                levels[rows] = evaluate(columns[rows], frames)
        for row, segment in self._changes:
            first = int(segment.start) - frame
            self._put(row, segment)
            frames = np.arange(frame + first, frame + self._frames, dtype=np.float64)
            levels[row, first:] = evaluate(self.columns[row : row + 1], frames)[0]
        self._changes.clear()
        return levels

    def _settled_levels(self, frame: int, count: int) -> NDArray[Any]:
        """Return the levels of voices that are past their attack."""
        start, _, peak, attack, sustain, rate = self.columns[:count].T
        age = np.maximum(frame - start - attack, 0.0)
        distance = (peak - sustain) * np.exp(-rate * age)
        fall = np.exp(rate[:, None] * -self._grid)
        down = (fall[:, : self._rows] * distance[:, None]).astype(np.float32)
        across = fall[:, self._rows :].astype(np.float32)
        levels = self._levels[:count]
        np.multiply(down[:, :, None], across[:, None, :], out=levels)
        levels += self._sustain[:count, :, None]
        return levels.reshape(count, self._frames)
