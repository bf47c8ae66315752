"""Cells of the grid in which partials move, drawn all at once.

A partial in a cell is ``Re a·E_r·(1 + iκ·m_r·c)·z^c`` around the centre of row r: the phase of E_r
is exact at every row's centre, z turns at the frequency of the middle of the cell, and what the
true frequency differs from it inside a row is the linear term, κ being how much the partial's pace
changes a frame and m_r the row's distance from the middle. (With a constant frequency over 128
frames a vibrato of ±50 cents at 6 Hz would leave sidebands of -48 dBc at 4.4 kHz; the linear term
leaves less than -85.)

Sines are evaluated for half a frame's turn and for the middle of a cell, there with what the curve
of the phase adds up to each pair of rows; the rest are products of those. The rows and their linear
terms are one product of inner length 2P; m_r·c comes after it.

Shapes: ``S`` cells of ``K`` voices of ``P`` partials, each cell 4 rows of 16 columns; real products
take complex numbers as pairs.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.motion import GRID

COLUMNS = 16
ROWS = GRID // COLUMNS
MIDDLE = (GRID - 1) / 2
"""A cell's middle, in frames from its start."""
CENTRES = np.arange(0, GRID, COLUMNS) + (COLUMNS - 1) / 2 - MIDDLE
"""The rows' centres from there: two pairs of opposites."""
ROOM = 8192
"""So many partials in so many cells are drawn at once: what a small cache holds. One voice in the
longest block has a quarter of them at most."""

_HALF = COLUMNS // 2
_SIDEWAYS = (np.arange(COLUMNS) - (COLUMNS - 1) / 2).astype(np.float32)
_TILT = CENTRES.astype(np.float32)[:, None, None, None] * _SIDEWAYS
_ALONG = CENTRES.astype(np.float32)[:, None, None, None]
_CURVES = (CENTRES[2:] ** 2 / 2).astype(np.float32)[:, None, None, None]
_APART = 16
"""Columns lie this much further apart than they need, or a cache would keep them in one place."""

Array = NDArray[Any]
Levels = tuple[NDArray[np.float32], NDArray[np.float32]]
"""Factors at every row's centre and their growth per frame, as broadcast to (4, S, K, P)."""


class Cells:
    """Room to draw in, used again for every block.

    Made anew, it would cost as much in fresh pages as the sines.
    """

    def __init__(self) -> None:
        self._columns = np.empty((COLUMNS, ROOM + _APART), np.complex64)
        self._rows = np.empty((2 * ROWS, ROOM), np.complex64)
        self._shape = (0, 0, 0)
        self._views: tuple[Array, ...] = ()

    def _cut_views(self, shape: tuple[int, int, int]) -> None:
        size = shape[0] * shape[1] * shape[2]
        columns = self._columns[:, :size].reshape(COLUMNS, *shape)
        rows = self._rows[:, :size].reshape(2 * ROWS, *shape)
        product = np.empty((2 * ROWS, *shape[:2], COLUMNS), np.float32)
        level = product[:ROWS]
        self._shape = shape
        self._views = (
            *(columns, rows[:ROWS], rows[ROWS:]),
            rows.view(np.float32).transpose(1, 2, 0, 3),
            columns.view(np.float32).transpose(1, 2, 3, 0),
            product.transpose(1, 2, 0, 3),
            *(level, product[ROWS:]),
            np.ascontiguousarray(np.broadcast_to(_SIDEWAYS, level.shape)),
            np.ascontiguousarray(np.broadcast_to(_TILT, level.shape)),
        )

    def draw(
        self,
        angle: Array,
        starts: NDArray[np.complex64],
        pace: NDArray[np.float32],
        middle: Array,
        slope: Array,
        levels: Levels | None,
    ) -> NDArray[np.float32]:
        """Return the sound of K voices, (4, S, K, 16), to be used before the next call.

        Parameters
        ----------
        angle
            How far every partial has turned from its onset to the middle of every cell, (S, K, P).
        starts
            Level and phase of every partial at the onset, (K, P).
        pace
            Radians per frame, not bent, (K, P).
        middle, slope
            The frequency ratio at the middle of every cell and how it changes a frame, (S, K).
        levels
            None: 1 everywhere.
        """
        if angle.shape != self._shape:
            self._cut_views(angle.shape)
        columns, rows, growing, left, right, product, *halves, sideways, tilt = self._views
        power = _turn_columns(columns, _turned(pace * (middle / 2).astype(np.float32)[..., None]))
        change = pace * slope.astype(np.float32)[..., None]  # κ
        curved = _turned(angle.astype(np.float32) + change * _CURVES)
        curved *= starts
        _turn_rows(rows, power, curved)
        if levels is None:
            np.multiply(rows, change * 1j, out=growing)
            away = tilt
        else:
            level, growth = levels
            grown = np.empty(rows.shape, np.complex64)
            grown.real = growth
            np.multiply(level * _ALONG, change, out=grown.imag)
            np.multiply(rows, grown, out=growing)
            np.multiply(rows, level, out=rows)
            away = sideways
        np.matmul(left, right, out=product)
        drawn, line = halves
        line *= away
        drawn += line
        return drawn


def _turn_columns(
    columns: NDArray[np.complex64], half: NDArray[np.complex64]
) -> NDArray[np.complex64]:
    """Fill in the columns' turns, odd powers of half a frame's; return that of 8 frames.

    Conjugate, for a product of pairs takes the real part of one number by the conjugate of
    another.
    """
    before = columns[_HALF - 1 :: -1]
    before[0] = half
    power = half * half
    done = 1
    while done < _HALF:
        np.multiply(before[:done], power, out=before[done : 2 * done])
        power = power * power
        done *= 2
    np.conjugate(before, out=columns[_HALF:])
    return power


def _turn_rows(
    rows: NDArray[np.complex64], power: NDArray[np.complex64], curved: NDArray[np.complex64]
) -> None:
    """Fill in the partials at the rows' centres, 8 and 24 frames before and after the middle."""
    across = np.empty((2, *power.shape), np.complex64)
    across[0] = power
    np.multiply(power, power * power, out=across[1])
    np.multiply(curved, across, out=rows[2:])
    np.conjugate(across, out=across)
    np.multiply(curved, across, out=rows[1::-1])


def _turned(angle: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Return e^(i·angle)."""
    result = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=result.real)
    np.sin(angle, out=result.imag)
    return result
