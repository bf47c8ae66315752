"""Partials whose pitch moves, rendered for many control periods at once.

Over a control period a partial is ``Re a·E·z^t·(1 + iω·d(t))``, t being the time from the middle of
the period: E is its phase there, z turns at the pitch that the period is rendered at, ω is its
frequency in radians per frame and d its phase deviation in frames: how far the voice is ahead of
one that turns steadily at that pitch (see `voices.phases.phase_trajectory`, which also says
where the first order is not enough). With a constant frequency over 128 frames a vibrato of ±50
cents at 6 Hz would leave sidebands of -48 dBc at 4.4 kHz.

Sines are evaluated for E and for half a frame's turn; the rest are products of those. The rows, as
they are and times iω, are one product of inner length 2P; d is applied after it. Where levels
change, the rows times their growth are a third part of it, and the distance from the centre of a
row is applied after it.

Shapes: ``U`` groups of ``V`` control periods that are rendered at the same pitch, of ``K`` voices
of ``P`` partials, each period 4 rows of 16 columns; real products take complex numbers as pairs.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.smoother import CONTROL_PERIOD

COLUMNS = 16
ROWS = CONTROL_PERIOD // COLUMNS
MIDDLE = (CONTROL_PERIOD - 1) / 2
"""The middle of a control period, in frames from its start."""
ROW_CENTRES = np.arange(0, CONTROL_PERIOD, COLUMNS) + (COLUMNS - 1) / 2 - MIDDLE
"""The centres of the rows from there: two pairs of opposites."""
FROM_CENTRE = (np.arange(COLUMNS) - (COLUMNS - 1) / 2).astype(np.float32)
"""The frames of a row from its centre."""
ROOM = 8192
"""So many partials times control periods are rendered at once: what a small cache holds. One voice
in the longest block has a quarter of them at most."""

_HALF = COLUMNS // 2
_PADDING = 16
"""Columns lie this much further apart than they need, or a cache would keep them in one place."""

Array = NDArray[Any]
Levels = tuple[NDArray[np.complex64], NDArray[np.complex64]]
"""Factors at the centre of every row and their growth per frame, (4, S, K, P) or, the same for all
rows, (1, S, K, P); the S = U·V control periods in order of time."""


class Chirps:
    """Scratch memory to render moving partials in, used again for every block.

    Allocated for each block, it would cost as much in fresh pages as the sines.
    """

    def __init__(self) -> None:
        self._columns = np.empty((COLUMNS, ROOM + _PADDING), np.complex64)
        self._rows = np.empty((3, ROWS, ROOM), np.complex64)
        self._phasors = np.empty(3 * ROOM, np.complex64)
        self._to_rows = np.empty((ROWS, ROOM), np.complex64)
        self._shape = (0, 0, 0, 0)
        self._views: tuple[Array, ...] = ()
        self._powers: _Powers
        self._products: list[tuple[Array, Array, Array]] = []

    def _cut_views(self, shape: tuple[int, int, int, int]) -> None:
        shared, groups, voices, partials = shape
        size = groups * voices * partials
        columns = self._columns[:, :size].reshape(COLUMNS, *shape[1:])
        rows = self._rows.reshape(-1)[: 3 * ROWS * shared * size].reshape(3, ROWS, *shape)
        product = np.empty((3, ROWS, *shape[:3], COLUMNS), np.float32)
        flat, by_voice = shape[1:3], (1, 2, 0, 3)
        periods, phasors = shared * size, self._phasors[: (2 * shared + 1) * size]
        deviating, middle, half = np.split(phasors, (periods, 2 * periods))
        self._shape = shape
        self._powers = _Powers(self._columns[:, :size], half, self._to_rows[:, :size])
        self._views = (
            *(rows[1], rows[2], columns.view(np.float32).transpose(1, 2, 3, 0)),
            phasors[periods:].reshape(-1, voices, partials),
            *(middle.reshape(shape), deviating.reshape(shape)),
            phasors[: 2 * periods].reshape(2, 1, *shape),
            self._to_rows[:, :size].reshape(ROWS, 1, *shape[1:]),
            *product,
            np.ascontiguousarray(np.broadcast_to(FROM_CENTRE, product.shape[1:])),
        )
        self._products = [
            (
                rows[:parts].view(np.float32).reshape(-1, *flat, 2 * partials).transpose(*by_voice),
                product[:parts].reshape(-1, *flat, COLUMNS).transpose(*by_voice),
                rows[:parts],
            )
            for parts in (2, 3)
        ]

    def render(
        self,
        cycles: Array,
        onset_phasors: NDArray[np.complex64],
        i_omega: NDArray[np.complex64],
        deviation: NDArray[np.float32],
        levels: Levels | None,
    ) -> NDArray[np.float32]:
        """Return the sound of K voices, (4, V, U, K, 16), to be used before the next call.

        Parameters
        ----------
        cycles
            Those that every partial turns from its onset to the middle of every control period,
            then those of half a frame at every pitch that is rendered: (V·U + U, K, P).
        onset_phasors
            Level and phase of every partial at the onset, (K, P).
        i_omega
            i times the radians per frame, not bent, (K, P).
        deviation
            Frames, (4, V, U, K, 16).
        levels
            None: 1 everywhere.
        """
        shape = (*deviation.shape[1:4], cycles.shape[2])
        if shape != self._shape:
            self._cut_views(shape)
        rows, growing, right, phasors, middle, deviating, both, to_rows, *views = self._views
        ahead, rendered, growth, from_centre = views
        left, product, parts = self._products[levels is not None]
        _turn(cycles, shape[1], phasors)
        middle *= onset_phasors
        self._powers.turn()
        if levels is None:
            np.multiply(middle, i_omega, out=deviating)
            np.multiply(to_rows, both, out=parts)
        else:
            paired = (-1, shape[1], shape[0], *shape[2:])
            level, grows = (values.reshape(paired).swapaxes(1, 2) for values in levels)
            np.multiply(to_rows, middle, out=rows)
            np.multiply(rows, grows, out=growing)
            rows *= level
            np.multiply(rows, i_omega, out=parts[0])
        np.matmul(left, right, out=product)
        ahead *= deviation
        rendered += ahead
        if levels is not None:
            growth *= from_centre
            rendered += growth
        return rendered


class _Powers:
    """The phasors of columns, odd powers of half a frame's, and those of the row centres.

    The columns' are conjugate, for a product of pairs takes the real part of one number by the
    conjugate of another. The rows' are 24 and 8 frames before the middle, 8 and 24 after it. All
    are in one piece, and cut beforehand: they are short, and each cut costs as much as it does.
    """

    def __init__(self, columns: Array, half: Array, to_rows: Array) -> None:
        before = columns[_HALF - 1 :: -1]
        self._half, self._scratch = half, np.empty_like(half)
        self._first, self._second = before[:2]
        self._doubled = [(before[:done], before[done : 2 * done]) for done in (2, 4)]
        self._mirrored = (before, columns[_HALF:]), (to_rows[3:1:-1], to_rows[:2])
        self._near, self._far = to_rows[2:]

    def turn(self) -> None:
        """Work them out."""
        power = self._scratch
        self._first[...] = self._half
        np.square(self._half, out=power)
        np.multiply(self._half, power, out=self._second)
        np.square(power, out=power)
        for some, further in self._doubled:
            np.multiply(some, power, out=further)
            power = np.square(power, out=self._near if len(some) == _HALF // 2 else power)
        np.multiply(power, np.square(power, out=self._scratch), out=self._far)
        for one, other in self._mirrored:
            np.conjugate(one, out=other)


def _turn(cycles: Array, halves: int, phasors: NDArray[np.complex64]) -> None:
    """Set ``phasors`` to e^(2πi·cycles); the last rows, ``halves``, are less than a cycle."""
    whole = cycles[:-halves]
    whole -= np.rint(whole)
    angle = cycles.astype(np.float32)
    angle *= 2 * np.pi
    np.cos(angle, out=phasors.real)
    np.sin(angle, out=phasors.imag)
