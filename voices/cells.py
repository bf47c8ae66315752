"""Cells of the grid in which partials move, drawn all at once.

A partial in a cell is ``Re a·E_r·(1 + iκ·m_r·c)·z^c`` around the centre of row r: the phase of E_r
is exact at every row's centre, z turns at the frequency of the middle of the cell, and what the
true frequency differs from it inside a row is the linear term, κ being how much the partial's pace
changes a frame and m_r the row's distance from the middle. (With a constant frequency over 128
frames a vibrato of ±50 cents at 6 Hz would leave sidebands of -48 dBc at 4.4 kHz; the linear term
leaves less than -90.)

Sines are evaluated for the middle of a cell, half a frame's turn and, where it is steep, the curve
of the phase; the rest are products of those. κ is the partial's own pace times a slope that all
partials of a voice have in common: so the rows' real parts and their linear terms are one product
of inner length 2P, and the slope comes after it.

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
"""So many partials in so many cells are drawn at once: what a small cache holds."""

_HALF = COLUMNS // 2
_SIDEWAYS = (np.arange(COLUMNS) - (COLUMNS - 1) / 2).astype(np.float32)
_TILT = CENTRES.astype(np.float32)[:, None] * _SIDEWAYS
_ALONG = CENTRES.astype(np.float32)[:, None, None, None]
_CURVES = (CENTRES[2:] ** 2 / 2).astype(np.float32)[:, None, None, None]
_GENTLE = 0.01
"""Up to this angle two terms of the series leave less than 2e-7."""
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
        if size > ROOM:  # one voice in a very long block
            self._columns = np.empty((COLUMNS, size + _APART), np.complex64)
            self._rows = np.empty((2 * ROWS, size), np.complex64)
        columns = self._columns[:, :size].reshape(COLUMNS, *shape)
        rows = self._rows[:, :size].reshape(2 * ROWS, *shape)
        self._shape = shape
        self._views = (
            *(columns, rows[:ROWS], rows[ROWS:]),
            rows.view(np.float32).transpose(1, 2, 0, 3),
            columns.view(np.float32).transpose(1, 2, 3, 0),
            np.empty((*shape[:2], 2 * ROWS, COLUMNS), np.float32),
        )

    def draw(
        self,
        spun: NDArray[np.complex64],
        turns: Array,
        middle: Array,
        slope: Array,
        levels: Levels | None,
    ) -> NDArray[np.float32]:
        """Return the sound of K voices, (S, K, 4, 16), to be used before the next call.

        Parameters
        ----------
        spun
            Every partial at the middle of every cell, (S, K, P).
        turns
            Cycles per frame, not bent, (K, P).
        middle, slope
            The frequency ratio at the middle of every cell and how it changes a frame, (S, K).
        levels
            None: 1 everywhere.
        """
        if spun.shape != self._shape:
            self._cut_views(spun.shape)
        columns, rows, growing, left, right, product = self._views
        pace = (turns * (2 * np.pi)).astype(np.float32)
        narrow = slope.astype(np.float32)[..., None]
        power = self._turn_columns(
            columns, turned(pace * (middle / 2).astype(np.float32)[..., None])
        )
        _turn_rows(rows, power, _curved(spun, pace, narrow))
        if levels is None:
            np.multiply(rows, pace * 1j, out=growing)
            sideways = narrow[..., None] * _TILT
        else:
            level, growth = levels
            change = np.empty(rows.shape, np.complex64)
            change.real = growth
            np.multiply(level * _ALONG, pace * narrow, out=change.imag)
            np.multiply(rows, change, out=growing)
            np.multiply(rows, level, out=rows)
            sideways = _SIDEWAYS
        np.matmul(left, right, out=product)
        drawn: NDArray[np.float32] = product[:, :, :ROWS]
        product[:, :, ROWS:] *= sideways
        drawn += product[:, :, ROWS:]
        return drawn

    @staticmethod
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


def _curved(
    spun: NDArray[np.complex64], pace: NDArray[np.float32], slope: NDArray[np.float32]
) -> NDArray[np.complex64]:
    """Return the partials at the middle, turned by what the curve of their phase is in each row."""
    angle = pace * slope * _CURVES
    if max(angle.max(), -angle.min()) < _GENTLE:
        turn = np.empty(angle.shape, np.complex64)
        turn.imag = angle
        angle *= angle
        angle *= -0.5
        np.add(angle, 1.0, out=turn.real)
    else:
        turn = turned(angle)
    turn *= spun
    return turn


def turned(angle: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Return e^(i·angle)."""
    result = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=result.real)
    np.sin(angle, out=result.imag)
    return result
