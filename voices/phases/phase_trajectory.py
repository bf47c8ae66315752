"""The phase trajectory of moving voices, and the pitch each control period is rendered at.

Over a control period the frequency ratio runs straight from one control point to the next. Two
periods that meet at an odd point are rendered at the pitch it has there, their shared centre, so
that they share the powers which are most of the work; where the pitch changes more, a period is
rendered at that of its own middle. A voice's phase deviation is how far, in frames, it is ahead of
one that turns steadily at that pitch; half of its range is already in the phase at the middle,
which halves what is left. It is taken to first order, which does not hold in steep periods, where
the highest partial deviates by more than `MAX_DEVIATION`.

Units: frames, cycles, frequency ratios. Shapes: ``K`` voices, ``S`` control periods, in ``U``
groups of ``V`` that share a pitch; rows and columns of a period as in `voices.phases.chirps`.
Periods are in order of time; what is to be rendered has the first of all groups first, then the
second ones: (V, U).
"""

from functools import cache, lru_cache
from math import pi
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import CONTROL_PERIOD, PITCH
from voices.phases.chirps import COLUMNS, MIDDLE, ROWS

MAX_DEVIATION = 0.018
"""In radians: to first order the error is half its square, -76 dB of the partial."""

_TIMES = np.arange(CONTROL_PERIOD) - MIDDLE
_SHARED_MIDRANGE = MIDDLE**2 / 2
"""Half way between the ends of t²/2 - p·t, p being how far off the odd point is ..."""
_OWN_MIDRANGE = MIDDLE**2 / 4
"""... and between those of t²/2."""
_OWN_SHAPE = (_TIMES**2 / 2 - _OWN_MIDRANGE).astype(np.float32).reshape(ROWS, 1, 1, 1, COLUMNS)
MAX_SHARED, _MAX_OWN = (MAX_DEVIATION / (2 * pi * reach) for reach in (MIDDLE**2, _OWN_MIDRANGE))
"""The change of a partial's frequency, in cycles per frame and frame, that deviates so much."""

Array = NDArray[Any]
Mask = NDArray[np.bool_] | None


class Trajectory(NamedTuple):
    """The phases of K voices in the control periods of a block, before their ratios."""

    end: Array
    """Cycles of the key, from its onset to the end of the block, (K,)."""
    cycles: Array
    """The same to the middle of each period, half of the deviation's range included, then those of
    half a frame at each pitch that is rendered: (V·U + U, K)."""
    slope: Array
    """The change of each frequency ratio per frame, (V·U, K)."""
    shape: NDArray[np.float32]
    """The deviation over the slope, (4, V, U, K, 16)."""
    deviation: NDArray[np.float32]
    """Frames, (4, V, U, K, 16)."""


def steepness(
    ramps: Ramps,
    motion_rows: NDArray[np.intp],
    ratios: Array,
    highest: Array,
    weights: Array | None,
) -> tuple[Mask, Mask]:
    """Return in which periods which voices have a pitch of their own, and are steep, (S, K).

    ``motion_rows`` are theirs in `Smoother`, ``ratios`` their frequency ratios at the control
    points, (S + 1, K), ``highest`` the frequencies of their highest partials, not bent, (K,),
    ``weights`` those of partials near Nyquist, (S + 1, K, P). Of no period: None.
    """
    if not ramps.max_slope:
        return None, None
    if ramps.max_slope * min(float(highest.max()), 0.5 / ramps.min_ratio) <= MAX_SHARED:
        return None, None
    lowest = np.minimum(ratios[1:], ratios[:-1])
    heard = np.minimum(highest, 0.5 / lowest)  # above Nyquist a partial is silent
    change = np.abs(np.diff(ratios, axis=0)) * (heard / CONTROL_PERIOD)
    glides = (ramps.begin != ramps.end)[:, motion_rows, PITCH]
    return steepness_of(change, glides, weights)


def steepness_of(change: Array, glides: Mask, weights: Array | None) -> tuple[Mask, Mask]:
    """Return the same, given how the fastest partial's frequency changes and who glides, (S, K)."""
    own, steep = change > MAX_SHARED, change > _MAX_OWN
    if weights is not None:
        ends = (weights == 0.0) | (weights == 1.0)
        crossing = ((weights[1:] != weights[:-1]) & (ends[1:] | ends[:-1])).any(axis=2)
        # A weight does not run straight; that counts in glides, which are soon over.
        crossing &= glides
        own |= crossing
        steep |= crossing
    return (own if own.any() else None), (steep if steep.any() else None)


def trajectory(
    ramps: Ramps, ratios: Array, frequency: Array, begun: Array, own: Mask
) -> Trajectory:
    """Return the trajectory of voices whose keys have turned ``begun`` cycles as the block begins.

    ``ratios`` are their frequency ratios at the control points, (S + 1, K), ``frequency`` is that
    of their keys, (K,); ``own`` as from `steepness`.
    """
    cycles, slope = cycles_along(ramps, ratios, frequency, begun, own)
    return Trajectory(cycles[0], cycles[1:], slope, *_deviations(ramps, slope, own))


def steady_trajectory(
    ramps: Ramps, ratios: Array, frequency: Array, begun: Array, values: Array, since: Array
) -> tuple[Trajectory, Array]:
    """Return the trajectory of keys that turn steadily, and the cycles of something that does not.

    ``ratios`` are those of the voices, (K,); the other's are that times ``values``, (S + 1, K), and
    it has turned ``since`` as the block begins. Its are slope and deviation. The cycles of both
    are (K, 1 + V·U + U, 2): until the end, and as in `Trajectory.cycles`.
    """
    count, frequency = len(values) - 1, ratios * frequency
    shared = _shared(count, ramps, None)
    lines = _lines_begun(count, shared, ramps.sub_block_frames, ramps.offset, ramps.odd)
    wanted = np.empty((count + 2, 2, len(frequency)))
    wanted[:-1, 0], wanted[:-1, 1] = 1.0, values
    np.divide(begun, frequency, out=wanted[-1, 0])
    np.divide(since, frequency, out=wanted[-1, 1])
    both = (lines @ wanted.reshape(count + 2, -1)).reshape(-1, 2, len(frequency))
    slope, cycles = both[-count:, 1] * ratios, both[:-count]
    cycles *= frequency
    key = Trajectory(cycles[0, 0], cycles[1:, 0], slope, *_deviations(ramps, slope, None))
    return key, cycles.transpose(2, 0, 1)


def _deviations(
    ramps: Ramps, slope: Array, own: Mask
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return `Trajectory.shape` and `deviation` of voices whose slopes are given."""
    shared = _shared(len(slope), ramps, own)
    slopes = slope.astype(np.float32).repeat(COLUMNS).reshape(shared, -1, slope.shape[1], COLUMNS)
    shapes = _shared_shapes(*slopes.shape[:3], ramps.odd)
    if own is not None:
        shapes = np.where(own.repeat(COLUMNS).reshape(slopes.shape), _OWN_SHAPE, shapes)
    return shapes, shapes * slopes


def cycles_along(
    ramps: Ramps, ratios: Array, frequency: Array, begun: Array, own: Mask
) -> tuple[Array, Array]:
    """Return `Trajectory.end` and `cycles` in one piece, and its slope; arguments as there."""
    count = len(ratios) - 1
    shared = _shared(count, ramps, own)
    lines = _lines(count, shared, ramps.sub_block_frames, ramps.offset, ramps.odd) @ ratios
    slope = lines[-count:]
    cycles = lines[:-count]
    if own is not None:
        own_slope = own * slope
        cycles[1 : count + 1] -= (_SHARED_MIDRANGE - _OWN_MIDRANGE) * own_slope
        cycles[count + 1 :] -= _to_odd_points(count, ramps.odd) / 2 * own_slope
    cycles *= frequency
    whole = cycles[: count + 1]
    whole += begun
    return cycles, slope


def _shared(count: int, ramps: Ramps, own: Mask) -> int:
    return 2 if own is None and count % 2 == 0 and not ramps.odd else 1


def middles(
    cycles: Array, slope: Array, ratios: Array, frequency: Array, steep: NDArray[np.bool_]
) -> tuple[Array, Array, Array]:
    """Return of the N steep periods: the key's cycles until the middle, the ratio there, its slope.

    They are among those that have a pitch of their own.
    """
    turned = cycles[: len(slope)] - _OWN_MIDRANGE * frequency * slope
    ratio = ratios[:-1] + MIDDLE * slope
    return turned[steep], ratio[steep], slope[steep]


def turned(path: Array, into: int, ramps: Ramps) -> float:
    """Return what a key whose frequency ratio runs along a path has turned after some frames.

    It is over the key's frequency; the path is given at the control points, (S + 1,).
    """
    sub_block, rest = divmod(into, ramps.sub_block_frames)
    slope = np.diff(path) / CONTROL_PERIOD
    first = path[:-1] + slope * ramps.offset
    middle = first + slope * (ramps.sub_block_frames / 2)
    whole = ramps.sub_block_frames * middle[:sub_block].sum()
    return float(whole + rest * (first[sub_block] + slope[sub_block] * (rest / 2)))


@cache
def _to_odd_points(count: int, odd: bool) -> Array:
    """Return how far from every period's middle its odd point is, in frames, (S, 1)."""
    before = (np.arange(count) + odd) % 2 == 1
    return np.where(before, -MIDDLE, CONTROL_PERIOD - MIDDLE)[:, None]


@cache
def _lines(count: int, shared: int, frames: int, offset: int, odd: bool) -> Array:
    """Return what the ratios at the control points are multiplied by, (1 + S + U + S, S + 1).

    The products are `Trajectory.end` and `Trajectory.cycles` over the key's frequency, without
    what was turned before, and the change of the ratio per frame; all centres shared.
    """
    begin, end = np.eye(count + 1)[:-1], np.eye(count + 1)[1:]
    slope = (end - begin) / CONTROL_PERIOD
    first = begin + slope * offset
    sub_blocks = frames * (first + slope * (frames / 2))
    until = np.cumsum(np.concatenate([np.zeros((1, count + 1)), sub_blocks]), axis=0)
    to_middle = MIDDLE - offset
    middles = until[:-1] + to_middle * (first + slope * (to_middle / 2)) + slope * _SHARED_MIDRANGE
    halves = (begin + slope * (MIDDLE + _to_odd_points(count, odd)))[::shared] / 2
    grouped = np.arange(count).reshape(-1, shared).T.reshape(-1)
    return np.concatenate([until[-1:], middles[grouped], halves, slope[grouped]])


@cache
def _lines_begun(count: int, shared: int, frames: int, offset: int, odd: bool) -> Array:
    """Return the same, and what was turned before over the frequency: (1 + S + U + S, S + 2)."""
    lines = _lines(count, shared, frames, offset, odd)
    begun = np.arange(len(lines)) <= count
    return np.concatenate([lines, begun[:, None]], axis=1)


@lru_cache(maxsize=16)
def _shared_shapes(shared: int, groups: int, voices: int, odd: bool) -> NDArray[np.float32]:
    """Return the deviation over the slope where centres are shared, (4, V, U, K, 16)."""
    to_points = _to_odd_points(shared * groups, odd).reshape(groups, shared).T[:, :, None, None]
    times = _TIMES.reshape(ROWS, 1, 1, 1, COLUMNS)
    shapes = times**2 / 2 - to_points * times - _SHARED_MIDRANGE
    return np.repeat(shapes, voices, axis=3).astype(np.float32)


@lru_cache(maxsize=64)
def along_block(count: int, frames: int, offset: int) -> tuple[Array, Array]:
    """Return what turns a key's pitch into its cycles at every frame of a block, and at its end.

    The pitch is given at the ends of ``count`` control periods, and after it the cycles that were
    turned before: (S + 2, T) and (S + 2,), T being ``frames`` times ``count``.
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
