"""How pitch runs through the cells of a block, and at which pitch each of them is drawn.

Over a cell the pitch runs straight from point to point of the grid. Two cells that meet at an odd
point are drawn at the pitch it has there, so that they share the powers which are most of the
work; a cell in which the pitch changes by more than `STEEP` of itself is drawn at that of its own
middle. A voice's drift is how far, in frames, it is ahead of one that turns steadily at that pitch;
half of its range is in the phase at the middle already, which halves what is left.

Units: frames, cycles, frequency ratios. Shapes: ``K`` voices, ``S`` cells, in ``U`` groups of ``V``
that share a pitch; rows and columns of a cell as in `voices.synthesis.chirps`. Cells are in order
of time; in what is to be drawn the first of all groups come first, then the second ones: (V, U).
"""

from functools import cache, lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD, STEEP
from voices.synthesis.chirps import COLUMNS, MIDDLE, ROWS

_TIMES = np.arange(CONTROL_PERIOD) - MIDDLE
_LEANING = MIDDLE**2 / 2
"""Half way between the ends of t²/2 - p·t, p being how far off the odd point is ..."""
_UPRIGHT = MIDDLE**2 / 4
"""... and between those of t²/2."""
_UPRIGHT_SHAPE = (_TIMES**2 / 2 - _UPRIGHT).astype(np.float32).reshape(ROWS, 1, 1, 1, COLUMNS)

Array = NDArray[Any]


class Course(NamedTuple):
    """Where K voices are in the cells of a block, before their ratios."""

    end: Array
    """Cycles of the key, from its onset to the end of the block, (K,)."""
    turns: Array
    """The same to each cell's middle, half of the drift's range included, then those of half a
    frame at each pitch that is drawn: (V·U + U, K)."""
    drift: NDArray[np.float32]
    """Frames, (4, V, U, K, 16)."""


def course(passage: Ramps, points: Array, frequency: Array, begun: Array) -> Course:
    """Return the course of voices whose keys have turned ``begun`` cycles as the block begins.

    ``points`` is their pitch at the ends of the cells, (S + 1, K).
    """
    count = len(points) - 1
    steep = None if passage.gentle else _steep(points)
    shared = 2 if steep is None and count % 2 == 0 and not passage.odd else 1
    lines = _lines(count, shared, passage.sub_block_frames, passage.offset, passage.odd) @ points
    slope = lines[-count:]
    turns = lines[:-count]
    if steep is not None:
        upright = steep * slope
        turns[1 : count + 1] -= (_LEANING - _UPRIGHT) * upright
        turns[count + 1 :] -= _to_points(count, passage.odd) / 2 * upright
    turns *= frequency
    whole = turns[: count + 1]
    whole += begun
    drift = slope.astype(np.float32).repeat(COLUMNS).reshape(shared, -1, len(frequency), COLUMNS)
    shapes = _shapes(*drift.shape[:3], passage.odd)
    if steep is None:
        return Course(turns[0], turns[1:], shapes * drift)
    upright = steep.repeat(COLUMNS).reshape(drift.shape)
    return Course(turns[0], turns[1:], np.where(upright, _UPRIGHT_SHAPE, shapes) * drift)


def _steep(points: Array) -> NDArray[np.bool_] | None:
    """Return which voices' pitch changes how much in which cells, (S, K); None: none does."""
    steep: NDArray[np.bool_] = np.abs(points[1:] / points[:-1] - 1) > STEEP
    return steep if steep.any() else None


@cache
def _to_points(count: int, odd: bool) -> Array:
    """Return how far from every cell's middle its odd point is, in frames, (S, 1)."""
    before = (np.arange(count) + odd) % 2 == 1
    return np.where(before, -MIDDLE, CONTROL_PERIOD - MIDDLE)[:, None]


@cache
def _lines(count: int, shared: int, frames: int, inside: int, odd: bool) -> Array:
    """Return what the pitch at the ends of S cells is multiplied by, (1 + S + U + S, S + 1).

    The products are `Course.end` and `Course.turns` over the key's frequency, without what has
    turned before, and how the pitch changes a frame; all cells leaning.
    """
    begin, end = np.eye(count + 1)[:-1], np.eye(count + 1)[1:]
    slope = (end - begin) / CONTROL_PERIOD
    first = begin + slope * inside
    stretches = frames * (first + slope * (frames / 2))
    until = np.cumsum(np.concatenate([np.zeros((1, count + 1)), stretches]), axis=0)
    to_middle = MIDDLE - inside
    middles = until[:-1] + to_middle * (first + slope * (to_middle / 2)) + slope * _LEANING
    halves = (begin + slope * (MIDDLE + _to_points(count, odd)))[::shared] / 2
    grouped = np.arange(count).reshape(-1, shared).T.reshape(-1)
    return np.concatenate([until[-1:], middles[grouped], halves, slope[grouped]])


@lru_cache(maxsize=16)
def _shapes(shared: int, groups: int, voices: int, odd: bool) -> NDArray[np.float32]:
    """Return the drift over the slope of cells that lean, (4, V, U, K, 16)."""
    to_points = _to_points(shared * groups, odd).reshape(groups, shared).T[:, :, None, None]
    times = _TIMES.reshape(ROWS, 1, 1, 1, COLUMNS)
    shapes = times**2 / 2 - to_points * times - _LEANING
    return np.repeat(shapes, voices, axis=3).astype(np.float32)
