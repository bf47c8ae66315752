"""One period of a harmonic series, kept as cubic pieces and read along its phase.

Each piece, from one node to the next, has the value and the slope of the series at both. Beside a
harmonic the error is that of its own cubics: for the highest -98 dB, and 24 dB less with every
octave below it. Reading costs as much for one harmonic as for all of them, and follows any pitch.

Units: cycles of the fundamental. Shapes: ``H`` harmonics, ``N`` nodes, ``Z`` sides, ``L`` lines,
each of which reads one period, ``T`` frames.
"""

from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

NODES_A_HARMONIC = 24
"""So many at least."""
ROWS = 32
"""In so many rows the nodes of a period are drawn."""
MOST_NODES = 2048
"""Of a period; so far apart are their places."""
ROOM = 4096
"""So many samples are read at once: what a small cache holds."""

Array = NDArray[Any]


class _Views(NamedTuple):
    """Scratch memory for so many samples."""

    places: Array
    whole: Array
    pieces: NDArray[np.intp]
    fractions: NDArray[np.float32]
    found: NDArray[np.complex128]
    """Four numbers, as if they were two ..."""
    found_terms: NDArray[np.float32]
    """... and as what they are: (4, samples)."""
    terms: NDArray[np.float32]


class PeriodReader:
    """Scratch memory to read periods in, used again for every block. Real-time safe."""

    def __init__(self) -> None:
        self._places, self._whole = np.zeros((2, ROOM))
        self._pieces = np.zeros(ROOM, np.intp)
        self._fractions = np.zeros(ROOM, np.float32)
        self._found = np.zeros(ROOM, np.complex128)
        self._terms = np.zeros((4, ROOM), np.float32)
        self._views = self._cut_views(ROOM)

    def _cut_views(self, size: int) -> _Views:
        """Return views of so much; to cut them costs more than some of the work on them."""
        found = self._found[:size]
        return _Views(
            places=self._places[:size],
            whole=self._whole[:size],
            pieces=self._pieces[:size],
            fractions=self._fractions[:size],
            found=found,
            found_terms=found.view(np.float32).reshape(-1, 4).T,
            terms=self._terms[:, :size],
        )

    def locate(self, lines: Array, along: Array, nodes: int, origins: NDArray[np.intp]) -> None:
        """Find out which pieces L lines are in at T frames, and how far.

        How many nodes each has gone by is the product of ``lines``, (L, X), and ``along``, (X, T).
        A period has so many ``nodes``, and ``origins`` are the places of its first, (LT,).
        """
        if len(origins) != len(self._views.places):
            self._views = self._cut_views(len(origins))
        places, whole, pieces, fractions, *_ = self._views
        lines.dot(along, out=places.reshape(len(lines), -1))
        np.floor(places, out=whole)
        places -= whole
        fractions[:] = places
        pieces[:] = whole
        pieces &= nodes - 1
        pieces += origins

    def read(self, periods: Array) -> NDArray[np.float32]:
        """Return what one side of some periods is there, (LT,), until the next call."""
        _, _, pieces, fractions, found, found_terms, terms = self._views
        periods.take(pieces, out=found, mode="clip")
        terms[:] = found_terms
        value, slope, bend = terms[:3]
        heard: NDArray[np.float32] = terms[3]
        heard *= fractions
        heard += bend
        heard *= fractions
        heard += slope
        heard *= fractions
        heard += value
        return heard


class PeriodStore:
    """Room for some periods of two sides, for all banks together."""

    def __init__(self, places: int) -> None:
        # The system provides a page when it is first written to.
        self.pieces = np.zeros((2, places * MOST_NODES, 4), np.float32)
        """Of each side, (2, places nodes, 4)."""
        self.free = list(range(places))
        """The places that hold nothing."""


class Periods:
    """Periods of at least so many ``harmonics``, where a store has them."""

    def __init__(self, harmonics: int, sides: int, store: PeriodStore) -> None:
        wanted = NODES_A_HARMONIC * harmonics
        self.nodes = min(MOST_NODES, 1 << (wanted - 1).bit_length())
        """Of each period, a power of two."""
        self.harmonics = self.nodes // NODES_A_HARMONIC
        """A period may have so many."""
        self._rows, self._columns = _factors(self.nodes, self.harmonics)
        self._pieces = store.pieces
        self.sides = store.pieces[:sides].view(np.complex128).reshape(sides, -1)
        """The pieces of each side: their four coefficients as two numbers."""
        self.free = store.free

    def write(self, place: int, side: int, spectrum: NDArray[np.complex64]) -> None:
        """Keep a side of a period: harmonics, from the first on, as turns of a cosine, (H,)."""
        harmonics = len(spectrum)
        left = (spectrum * self._rows[:, :harmonics]).view(np.float32)
        drawn = left.dot(self._columns[: 2 * harmonics]).reshape(ROWS, 2, -1).swapaxes(0, 1)
        ends = np.empty((2, self.nodes + 1), np.float32)
        ends[:, :-1], ends[:, -1] = drawn.reshape(2, -1), drawn[:, 0, 0]
        (value, slope), (other_value, other_slope) = ends[:, :-1], ends[:, 1:]
        rise, bend = other_value - value, slope + other_slope
        first = place * MOST_NODES
        terms = self._pieces[side, first : first + self.nodes].T
        terms[0], terms[1] = value, slope
        terms[2] = 3.0 * rise - bend - slope
        terms[3] = bend - 2.0 * rise


@cache
def _factors(nodes: int, harmonics: int) -> tuple[NDArray[np.complex64], NDArray[np.float32]]:
    """Return by what harmonics turn from row to row, (32, H), and inside a row, (2H, N / 16).

    First for their values at the nodes, then for their slopes, from node to node.
    """
    turn = 2j * np.pi * np.arange(1, harmonics + 1)
    rows = np.exp(turn * (np.arange(ROWS)[:, None] / ROWS))
    slopes = turn[:, None] / nodes
    inside = np.exp(slopes * np.arange(nodes // ROWS))
    inside = np.concatenate([inside, inside * slopes], axis=1)
    pairs = np.stack([inside.real, -inside.imag], axis=1).reshape(2 * harmonics, -1)
    return rows.astype(np.complex64), pairs.astype(np.float32)
