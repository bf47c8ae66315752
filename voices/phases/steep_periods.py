"""Control periods in which a pitch changes so much that every sample takes a cosine of its own.

`voices.phases.chirps` takes the phase deviation to first order, which holds for bends by hand
and for vibrato. In a leap, few periods long, the phase of every partial is evaluated frame by
frame instead, from the integral of a frequency ratio that runs straight.

Units: frames, cycles, radians. Shapes: ``N`` periods of a voice, of ``P`` partials and ``T``
frames; rows of a period as in `voices.phases.chirps`.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.phases.chirps import COLUMNS, FROM_CENTRE, MIDDLE
from voices.phases.phasor_tables import below_nyquist

ROOM = 16384
"""So many cosines are evaluated at once: what a small cache holds."""

Array = NDArray[Any]


class Turning(NamedTuple):
    """A knob that takes partials from their ratios in N periods."""

    shares: Array
    """By what part of its frequency it moves each partial, (N, P)."""
    cycles: Array
    """What the key has turned by as much as the knob makes of it, until the middle, (N,)."""
    ratio: Array
    """The key's frequency ratio times what the knob is at in the middle, (N,) ..."""
    slope: Array
    """... and its change per frame, (N,)."""


class SteepPeriods(NamedTuple):
    """N periods, each of one voice."""

    frequency: Array
    """Of the key, not bent, in cycles per frame, (N,)."""
    cycles: Array
    """Of the key, from its onset to the middle of the period, (N,)."""
    ratio: Array
    """The frequency ratio in the middle, (N,) ..."""
    slope: Array
    """... and its change per frame, (N,)."""
    ratios: Array
    """Of the partials, (N, P)."""
    phasors: NDArray[np.complex64]
    """Level and phase of every partial at the onset, (N, P)."""
    levels: tuple[Array, Array] | None
    """Factors at the centre of every row and their growth per frame, (4 or 1, N, P)."""
    knobs: Sequence[Turning] = ()


def render_steep(periods: SteepPeriods, ramps: Ramps, *, high: bool) -> NDArray[np.float32]:
    """Return the sound of the periods in the sub-blocks of ``ramps``: (N, T).

    ``high``: whether partials may pass Nyquist.
    """
    times = np.arange(ramps.offset, ramps.offset + ramps.sub_block_frames) - MIDDLE
    wave = np.empty((len(periods.cycles), len(times)), np.float32)
    most = max(1, ROOM // (periods.ratios.shape[1] * len(times)))
    for first in range(0, len(wave), most):
        some = slice(first, first + most)
        cosines = _cosines(periods, some, times, high=high)
        amplitude = np.abs(periods.phasors[some])
        if periods.levels is None:
            wave[some] = np.matmul(amplitude[:, None], cosines)[:, 0]
            continue
        level, growth = (
            np.broadcast_to(each[:, some].real * amplitude, (4, *amplitude.shape))
            for each in periods.levels
        )
        for row, columns in enumerate(range(0, len(times), COLUMNS), ramps.offset // COLUMNS):
            here = slice(columns, columns + COLUMNS)
            factors = np.stack([level[row], growth[row]], axis=1)
            summed = np.matmul(factors, cosines[:, :, here])
            wave[some, here] = summed[:, 0] + FROM_CENTRE * summed[:, 1]
    return wave


def _cosines(
    periods: SteepPeriods, some: slice, times: Array, *, high: bool
) -> NDArray[np.float32]:
    """Return every partial of some periods at level 1, (N, P, T); above Nyquist it is silent."""
    frequency = periods.frequency[some, None] * periods.ratios[some]
    ratio, slope = periods.ratio[some, None], periods.slope[some, None]
    cycles = periods.ratios[some] * periods.cycles[some, None]
    frequencies, turned = [frequency], [times * (ratio + slope * (times / 2))]
    now = [ratio + slope * times]
    for knob in periods.knobs:
        shares, ratio, slope = knob.shares[some], knob.ratio[some, None], knob.slope[some, None]
        cycles += periods.ratios[some] * shares * knob.cycles[some, None]
        frequencies.append(frequency * shares)
        turned.append(times * (ratio + slope * (times / 2)))
        now.append(ratio + slope * times)
    phase = 2 * np.pi * (cycles - np.rint(cycles)) + np.angle(periods.phasors[some])
    by_partial = np.stack([*(2 * np.pi * each for each in frequencies), phase], axis=2)
    by_frame = np.stack([*turned, np.ones_like(turned[0])], axis=1)
    cosines = _product(by_partial, by_frame)
    np.cos(cosines, out=cosines)
    if high:
        cosines *= below_nyquist(_product(np.stack(frequencies, axis=2), np.stack(now, axis=1)))
    return cosines


def _product(by_partial: Array, by_frame: Array) -> NDArray[np.float32]:
    return np.asarray(np.matmul(by_partial.astype(np.float32), by_frame.astype(np.float32)))
