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
EXACT_FRAMES = 4096
"""How long a decay is carried on from block to block before it is worked out anew."""


class Envelopes:
    """One segment a row, the first ``count`` in use."""

    def __init__(self, capacity: int, frames: int) -> None:
        self.columns = np.zeros((0, len(Segment._fields)))
        self._frames = frames
        self._rows, self._width = shape_of(frames)
        self._grid = np.concatenate(
            [np.arange(self._rows) * self._width, np.arange(self._width)]
        ).astype(np.float64)
        self._changes: list[tuple[int, Segment]] = []
        self._rising_until = self._curved_until = self._exact_until = 0.0
        self.grow(capacity)

    def grow(self, capacity: int) -> None:
        """Make room, keeping what is there."""
        kept = self.columns
        self.columns = np.zeros((capacity, kept.shape[1]))
        self.columns[: len(kept)] = kept
        self._sustain = self.columns[:, 4:5].astype(np.float32)
        self._distance = np.zeros((capacity, 1, 1))
        """What is left of each decay, from block to block."""
        self._block_fall = np.zeros((capacity, 1, 1))
        self._down = np.zeros((capacity, self._rows, 1), np.float32)
        self._scaled = np.zeros((capacity, self._rows, 1), np.float32)
        self._across = np.zeros((capacity, 1, self._width), np.float32)
        self._levels = np.zeros((capacity, self._rows, self._width), np.float32)
        self._exact_until = 0.0
        self._views: tuple[NDArray[Any], ...] = ()
        self._views_of = 0

    def _cut_views(self, count: int) -> None:
        """Keep the views of the rows in use; cutting them anew would cost as much as their use."""
        levels = self._levels[:count]
        self._views_of = count
        self._views = (
            *(self._down[:count], self._distance[:count], self._scaled[:count]),
            *(self._across[:count], levels, self._sustain[:count, :, None]),
            *(self._block_fall[:count], levels.reshape(count, self._frames)),
        )

    def start(self, row: int, segment: Segment) -> None:
        """Put a new note's first segment into a row."""
        self._put(row, segment)
        self._watch(segment)

    def _put(self, row: int, segment: Segment) -> None:
        self.columns[row] = segment
        self._sustain[row] = segment.sustain
        self._exact_until = 0.0

    def move(self, source: int, target: int) -> None:
        """Copy one row to another."""
        self.columns[target] = self.columns[source]
        self._sustain[target] = self._sustain[source]
        self._exact_until = 0.0

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
        if frame >= self._exact_until:
            self._begin_decay(frame, count)
        if self._views_of != count:
            self._cut_views(count)
        down, distance, scaled, across, levels, sustain, block_fall, flat = self._views
        np.multiply(down, distance, out=scaled, casting="same_kind")
        np.multiply(scaled, across, out=levels)
        levels += sustain
        distance *= block_fall
        if rising:
            self._rise(frame, flat)
        for row, segment in self._changes:
            first = int(segment.start) - frame
            self._put(row, segment)
            frames = np.arange(frame + first, frame + self._frames, dtype=np.float64)
            flat[row, first:] = evaluate(self.columns[row : row + 1], frames)[0]
        self._changes.clear()
        return flat

    def _rise(self, frame: int, levels: NDArray[np.float32]) -> None:
        """Evaluate the voices still in their attack frame by frame."""
        columns = self.columns[: len(levels)]
        rows = np.flatnonzero(columns[:, 0] + columns[:, 3] > frame)
        if len(rows):
            frames = np.arange(frame, frame + self._frames, dtype=np.float64)
            levels[rows] = evaluate(columns[rows], frames)

    def _begin_decay(self, frame: int, count: int) -> None:
        """Work out what is left of every decay at ``frame``, and how it falls over a block."""
        start, _, peak, attack, sustain, rate = self.columns[:count].T
        age = frame - start - attack
        rising = age < 0  # what they decay from begins when they have risen
        self._exact_until = frame + EXACT_FRAMES
        if rising.any():
            self._exact_until = min(self._exact_until, frame - age[rising].max())
            age[rising] = 0.0
        distance = (peak - sustain) * np.exp(-rate * age)
        distance[np.abs(distance) < OVER] = 0.0
        fall = np.exp(rate[:, None] * -self._grid)
        self._distance[:count, 0, 0] = distance
        self._block_fall[:count, 0, 0] = np.exp(rate * -self._frames)
        self._down[:count, :, 0] = fall[:, : self._rows]
        self._across[:count, 0] = fall[:, self._rows :]
