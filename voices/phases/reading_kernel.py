"""Reading a sampled sound between its samples.

The taps are polynomials of the fraction, fitted to all frequencies up to the band of the kernel;
up to there the error is below -120 dB.

Units: cycles per frame. Shapes: ``N`` taps, ``D`` terms, ``V`` sounds.
"""

from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from voices.phases.interpolation import chebyshev_nodes

LEAST_SQUARES_CUTOFF = 1e-10
FRACTIONS = 16
PIECE = 32
"""So many frames at most are read by one matrix."""
TOGETHER = 4
"""So many blocks at most are laid out together."""


class Kernel(NamedTuple):
    """Taps for frequencies up to a band."""

    band: float
    taps: int
    coefficients: NDArray[np.float32]
    """(D, N)."""

    @property
    def before(self) -> int:
        """How many samples before the one at or before a place are read."""
        return self.taps // 2 - 1


@cache
def kernels() -> tuple[Kernel, ...]:
    """Return the kernels, the cheapest first."""
    fits = (0.1, 8, 6), (0.2, 16, 7), (0.35, 32, 9), (0.41, 48, 9), (0.45, 88, 9)
    return tuple(_fitted(*each) for each in fits)


def _fitted(band: float, taps: int, terms: int) -> Kernel:
    # At few points, dense towards the ends, where the error would be largest: a start waits for it.
    fractions = chebyshev_nodes(2, FRACTIONS)
    places = np.arange(taps) - (taps // 2 - 1)
    dense_above = np.sin(np.pi / 2 * (np.arange(2 * taps) + 0.5) / (2 * taps))
    angles = 2 * np.pi * band * dense_above[:, None]
    heard = np.concatenate([np.cos(angles * places), np.sin(angles * places)])
    wanted = np.concatenate([np.cos(angles * fractions), np.sin(angles * fractions)])
    best, *_ = np.linalg.lstsq(heard, wanted, rcond=LEAST_SQUARES_CUTOFF)
    powers = fractions[:, None] ** np.arange(terms)
    coefficients, *_ = np.linalg.lstsq(powers, best.T, rcond=None)
    return Kernel(band, taps, coefficients.astype(np.float32))


class _Layout(NamedTuple):
    """Matrices that read by a kernel."""

    matrices: NDArray[np.float32]
    """From samples to frames: (pieces, samples, frames)."""
    columns: NDArray[np.intp]
    """Where in them each frame's column begins, (pieces, frames) ..."""
    down: NDArray[np.float32]
    """... and from each place, as many numbers as there are taps, down its column."""


def _layout(kernel: Kernel, pieces: int, frames: int, fastest: float) -> _Layout:
    samples = int(frames * fastest) + 2 + kernel.taps
    matrices = np.zeros((pieces, samples, frames), np.float32)
    shape = matrices.size - (kernel.taps - 1) * frames, kernel.taps
    down = np.ndarray(shape, np.float32, matrices, 0, matrices.strides[2:0:-1])
    columns = np.arange(pieces)[:, None] * (samples * frames) + np.arange(frames)
    return _Layout(matrices, columns, down)


class Reader:
    """Reads blocks of ``frames`` at most, no faster than ``fastest`` samples a frame.

    A block is read in pieces, each by one matrix; those of some sounds are laid out together.
    """

    def __init__(self, frames: int, fastest: float) -> None:
        self.piece = piece = min(PIECE, frames)
        pieces = frames // piece * TOGETHER
        self._times = np.arange(piece) ** np.arange(3.0)[:, None]
        terms = max(len(each.coefficients) for each in kernels())
        self._low = np.ones((2, pieces * piece), np.float32)
        """Powers of the fractions, 0 and 1, ..."""
        self._even = np.ones(((terms + 1) // 2, pieces * piece), np.float32)
        """... and the even ones."""
        self._laid_out = {each.taps: _layout(each, pieces, piece, fastest) for each in kernels()}

    def samples(self, kernel: Kernel) -> int:
        """Return from how many samples each piece is read at most, `Kernel.before` before it."""
        return int(self._laid_out[kernel.taps].matrices.shape[1])

    def lay_out(self, lines: Sequence[float], kernel: Kernel) -> NDArray[np.float32]:
        """Return the matrices of pieces, to be used before the next call. Real-time safe.

        They read only as many samples as the longest piece needs: every sample read is drawn first.

        ``lines`` has three numbers for each, one after the other: where it begins, how fast it is
        read then, and half of how that changes in a frame; less than a sample after its place.
        """
        places = np.array(lines).reshape(-1, 3).dot(self._times)
        pieces, size = len(places), places.size
        matrices, columns, down = self._laid_out[kernel.taps]
        whole = places.astype(np.intp)
        terms = len(kernel.coefficients)
        pairs = (terms + 1) // 2
        low, even = self._low[:, :size], self._even[:pairs, :size]
        np.subtract(places.reshape(-1), whole.reshape(-1), out=low[1], casting="same_kind")
        np.multiply(low[1], low[1], out=even[1])
        for each in range(2, pairs):
            np.multiply(even[each - 1], even[1], out=even[each])
        powers = (even[:, None] * low).reshape(-1, size)
        taps = powers[:terms].T.dot(kernel.coefficients)
        samples = int(whole[:, -1].max()) + kernel.taps
        whole *= self.piece
        whole += columns[:pieces]
        matrices = matrices[:pieces]
        matrices.fill(0.0)
        down[whole.reshape(-1)] = taps
        return matrices[:, :samples]

    def read(
        self, sounds: NDArray[np.float32], begins: Sequence[int], matrices: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Return what sounds (V, samples) are, read from there on, (V, frames). Real-time safe."""
        pieces, width, frames = matrices.shape
        strides = (*sounds.strides, sounds.itemsize)
        shape = (len(sounds), sounds.shape[1] - width + 1, width)
        # A view; `sliding_window_view` would cost as much as all the rest.
        windows = np.ndarray(shape, np.float32, sounds, 0, strides)
        heard = np.empty((len(sounds), pieces, frames), np.float32)
        parts = windows[:, begins].swapaxes(0, 1)
        np.matmul(parts, matrices, out=heard.swapaxes(0, 1))
        return heard.reshape(len(sounds), -1)
