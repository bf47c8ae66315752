"""Taps that read a sound along a moving delay, with gains that move, for a cell of time.

Delay and gains follow quadratic splines, so their slopes do not jump. In a cell every tap is nearly
a polynomial of time: it is worked out at `NODES` points, and the sound read with each of these sets
of taps is summed along their Lagrange polynomials.

Units: frames, linear gains. Shapes: a cell is ``GRID`` frames; ``S`` sides.
"""

from collections.abc import Sequence
from math import floor

import numpy as np
from numpy.typing import NDArray

from voices.output.swing import GRID, STEEPEST, Side
from voices.phases.interpolation import chebyshev_nodes

TAPS, HALF = 18, 8
"""A window of so many frames is read; its sinc is so wide each way."""
NODES = 5
_TERMS = 10
_FURTHEST = 0.5 + STEEPEST / 2
"""How far from the middle of a frame a delay gets that is inside of it in the middle of a cell."""
_AT_NODES = chebyshev_nodes(GRID, NODES) / GRID
_SPLINE = np.array(
    [(1 - _AT_NODES) ** 2 / 2, 0.5 + _AT_NODES - _AT_NODES**2, _AT_NODES**2 / 2]
).T.astype(np.float32)
"""The parts of three points in a cell, (NODES, 3)."""


def _polynomials() -> NDArray[np.float32]:
    """Return the taps as polynomials of the delay's place in a frame, (2 * _TERMS, TAPS).

    The first half reads the sound, the second what of it lies above about 2 kHz.
    """
    place = np.linspace(-_FURTHEST, _FURTHEST, 129)
    distance = np.arange(TAPS) - (HALF + 0.5 - place[:, None])
    inside = np.clip(distance / HALF, -1.0, 1.0)
    read = np.sinc(distance) * np.i0(8.5 * np.sqrt(1.0 - inside**2)) * (np.abs(inside) < 1.0)
    read /= read.sum(axis=1, keepdims=True)
    dull = 1.0 + np.cos(np.pi * inside)
    dull /= dull.sum(axis=1, keepdims=True)
    powers = place[:, None] ** np.arange(_TERMS)
    both = [np.linalg.lstsq(powers, each, rcond=None)[0] for each in (read, read - dull)]
    return np.vstack(both).astype(np.float32)


_POLYNOMIALS = _polynomials()


def taps(
    before: Sequence[Side], begin: Sequence[Side], end: Sequence[Side]
) -> tuple[list[int], NDArray[np.float32]]:
    """Return the whole delays of a cell, and its taps, (S, NODES, TAPS), the oldest frame first.

    Given are the points before it, where it begins, and where it ends, of both sides if they are
    alike, or of each. A frame is read as it was ``HALF`` frames before its delay.
    """
    wholes = []
    points = np.empty((3, len(end), 3), np.float32)
    for side, here in enumerate(begin):
        whole = floor((before[side][0] + 2 * here[0] + end[side][0]) / 4)
        wholes.append(whole)
        points[:, side] = before[side], here, end[side]
        points[:, side, 0] -= whole + 0.5
    place, treble, gain = _SPLINE.dot(points.reshape(3, -1)).reshape(NODES, -1, 3).T
    terms = np.empty((2, _TERMS, *gain.shape), np.float32)
    one, other = terms
    one[0], one[1:] = gain, place
    np.multiply.accumulate(one, 0, None, one)
    np.multiply(one, treble, other)
    made = terms.reshape(2 * _TERMS, -1).T.dot(_POLYNOMIALS)
    return wholes, made.reshape(-1, NODES, TAPS)
