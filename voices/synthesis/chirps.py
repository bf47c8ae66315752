"""Cells of the grid in which partials move, drawn all at once.

A partial in a cell is ``Re a·E·z^t·(1 + iω·d(t))``, t being the time from the middle of the cell: E
is its phase there, z turns at the pitch that the cell is drawn at, ω is its pace in radians a frame
and d how far the voice is ahead of that (see `voices.synthesis.phase_trajectory`). (With a constant
frequency over 128 frames a vibrato of ±50 cents at 6 Hz would leave sidebands of -48 dBc at 4.4
kHz; the last factor leaves an error of -83 dB at most.)

Sines are evaluated for E and for half a frame's turn; the rest are products of those. The rows,
as they are and times iω, are one product of inner length 2P; d comes after it. Where levels move by
themselves, the rows times their growth are a third part of it, and after it comes the distance
from the centre of a row.

Shapes: ``U`` groups of ``V`` cells that are drawn at the same pitch, of ``K`` voices of ``P``
partials, each cell 4 rows of 16 columns; real products take complex numbers as pairs.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.smoother import CONTROL_PERIOD

COLUMNS = 16
ROWS = CONTROL_PERIOD // COLUMNS
MIDDLE = (CONTROL_PERIOD - 1) / 2
"""A cell's middle, in frames from its start."""
CENTRES = np.arange(0, CONTROL_PERIOD, COLUMNS) + (COLUMNS - 1) / 2 - MIDDLE
"""The rows' centres from there: two pairs of opposites."""
ROOM = 8192
"""So many partials in so many cells are drawn at once: what a small cache holds. One voice in the
longest block has a quarter of them at most."""

_HALF = COLUMNS // 2
_SIDEWAYS = (np.arange(COLUMNS) - (COLUMNS - 1) / 2).astype(np.float32)
_APART = 16
"""Columns lie this much further apart than they need, or a cache would keep them in one place."""

Array = NDArray[Any]
Levels = tuple[NDArray[np.complex64], NDArray[np.complex64]]
"""Factors at every row's centre and their growth per frame, (4, S, K, P) or for all rows the same,
(1, S, K, P); the S = U·V cells in order of time."""


class Chirps:
    """Room to draw in, used again for every block.

    Made anew, it would cost as much in fresh pages as the sines.
    """

    def __init__(self) -> None:
        self._columns = np.empty((COLUMNS, ROOM + _APART), np.complex64)
        self._rows = np.empty((3, ROWS, ROOM), np.complex64)
        self._turned = np.empty(3 * ROOM, np.complex64)
        self._across = np.empty((ROWS, ROOM), np.complex64)
        self._shape = (0, 0, 0, 0)
        self._views: tuple[Array, ...] = ()
        self._products: list[tuple[Array, Array, Array]] = []

    def _cut_views(self, shape: tuple[int, int, int, int]) -> None:
        shared, groups, voices, partials = shape
        size = groups * voices * partials
        columns = self._columns[:, :size].reshape(COLUMNS, *shape[1:])
        rows = self._rows.reshape(-1)[: 3 * ROWS * shared * size].reshape(3, ROWS, *shape)
        product = np.empty((3, ROWS, *shape[:3], COLUMNS), np.float32)
        flat, by_voice = shape[1:3], (1, 2, 0, 3)
        cells, turned = shared * size, self._turned[: (2 * shared + 1) * size]
        running, middle, half = np.split(turned, (cells, 2 * cells))
        self._shape = shape
        self._views = (
            *(columns, rows[1], rows[2], columns.view(np.float32).transpose(1, 2, 3, 0)),
            turned[cells:].reshape(-1, voices, partials),
            *(middle.reshape(shape), running.reshape(shape), half.reshape(shape[1:])),
            turned[: 2 * cells].reshape(2, 1, *shape),
            self._across[:, :size].reshape(ROWS, 1, *shape[1:]),
            *product,
            np.ascontiguousarray(np.broadcast_to(_SIDEWAYS, product.shape[1:])),
        )
        self._products = [
            (
                rows[:parts].view(np.float32).reshape(-1, *flat, 2 * partials).transpose(*by_voice),
                product[:parts].reshape(-1, *flat, COLUMNS).transpose(*by_voice),
                rows[:parts],
            )
            for parts in (2, 3)
        ]

    def draw(
        self,
        turns: Array,
        starts: NDArray[np.complex64],
        pace: NDArray[np.complex64],
        drift: NDArray[np.float32],
        levels: Levels | None,
    ) -> NDArray[np.float32]:
        """Return the sound of K voices, (4, V, U, K, 16), to be used before the next call.

        Parameters
        ----------
        turns
            Cycles that every partial has turned from its onset to the middle of every cell, then
            those of half a frame at every pitch that is drawn: (V·U + U, K, P).
        starts
            Level and phase of every partial at the onset, (K, P).
        pace
            i times the radians per frame, not bent, (K, P).
        drift
            Frames, (4, V, U, K, 16).
        levels
            None: 1 everywhere.
        """
        shape = (*drift.shape[1:4], turns.shape[2])
        if shape != self._shape:
            self._cut_views(shape)
        columns, rows, grown, right, turned, middle, running, half, both, *views = self._views
        across, ahead, drawn, growth, sideways = views
        left, product, parts = self._products[levels is not None]
        _turn(turns, len(half), turned)
        middle *= starts
        _turn_columns(columns, half, across)
        if levels is None:
            np.multiply(middle, pace, out=running)
            np.multiply(across, both, out=parts)
        else:
            paired = (-1, shape[1], shape[0], *shape[2:])
            level, growing = (values.reshape(paired).swapaxes(1, 2) for values in levels)
            np.multiply(across, middle, out=rows)
            np.multiply(rows, growing, out=grown)
            rows *= level
            np.multiply(rows, pace, out=parts[0])
        np.matmul(left, right, out=product)
        ahead *= drift
        drawn += ahead
        if levels is not None:
            growth *= sideways
            drawn += growth
        return drawn


def _turn_columns(
    columns: NDArray[np.complex64], half: NDArray[np.complex64], across: NDArray[np.complex64]
) -> None:
    """Fill in the columns' turns, odd powers of half a frame's, and those of the rows' centres.

    The columns' are conjugate, for a product of pairs takes the real part of one number by the
    conjugate of another. The rows' are 24 and 8 frames before the middle, 8 and 24 after it.
    """
    before = columns[_HALF - 1 :: -1]
    before[0] = half
    power = np.square(half)
    done = 1
    while done < _HALF:
        np.multiply(before[:done], power, out=before[done : 2 * done])
        done *= 2
        power = np.square(power, out=across[2, 0] if done == _HALF else power)
    np.conjugate(before, out=columns[_HALF:])
    np.multiply(power, np.square(power), out=across[3, 0])
    np.conjugate(across[3:1:-1], out=across[:2])


def _turn(turns: Array, halves: int, result: NDArray[np.complex64]) -> None:
    """Set ``result`` to e^(2πi·turns); the last ones, ``halves`` rows, are less than a turn."""
    whole = turns[:-halves]
    whole -= np.rint(whole)
    angle = turns.astype(np.float32)
    angle *= 2 * np.pi
    np.cos(angle, out=result.real)
    np.sin(angle, out=result.imag)
