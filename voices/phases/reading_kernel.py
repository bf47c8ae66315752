"""Reading a sampled sound between its samples.

The taps are polynomials of the fraction, fitted to all frequencies up to the band of the kernel;
up to there the error is below -120 dB.

Units: cycles per frame. Shapes: ``N`` taps, ``D`` terms, ``T`` frames of ``V`` sounds.
"""

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from voices.phases.interpolation import chebyshev_nodes

LEAST_SQUARES_CUTOFF = 1e-10
FRACTIONS = 16
CHUNK = 64
"""So many frames at most are read by one matrix."""


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

    def reach(self, places: NDArray[np.float64]) -> tuple[int, int]:
        """Return the first and the last sample that are read for places in ascending order."""
        return int(places[0]) - self.before, int(places[-1]) + self.taps // 2


@cache
def kernels() -> tuple[Kernel, ...]:
    """Return the kernels, the cheapest first."""
    return _fitted(0.1, 8, 6), _fitted(0.2, 16, 7)


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


class Reader:
    """Reads blocks of ``frames`` at most, no faster than ``fastest`` samples a frame."""

    def __init__(self, frames: int, fastest: float) -> None:
        self._chunk = min(CHUNK, frames)
        width = int(self._chunk * fastest) + 2 + max(each.taps for each in kernels())
        self._matrix = np.zeros(frames * width, np.float32)
        self._windows = {
            each.taps: sliding_window_view(self._matrix, each.taps, writeable=True)
            for each in kernels()
        }
        self._numbers = np.arange(frames)
        most = max(len(each.coefficients) for each in kernels())
        self._powers = np.ones((most, frames), np.float32)

    def read(
        self, sounds: NDArray[np.float32], places: NDArray[np.float64], kernel: Kernel
    ) -> NDArray[np.float32]:
        """Return what sounds (V, samples) are at ascending places, (V, T). Real-time safe."""
        count = len(places)
        terms, taps = kernel.coefficients.shape
        whole = places.astype(np.intp)
        powers = self._powers[:terms, :count]
        powers[1:] = places - whole
        np.multiply.accumulate(powers, axis=0, out=powers)
        begins = whole[:: self._chunk].tolist()
        ends = [*begins[1:], whole.item(-1)]
        width = max(end - begin for begin, end in zip(begins, ends, strict=True)) + taps
        matrix = self._matrix[: count * width]
        matrix.fill(0.0)
        whole += self._numbers[:count] * width
        whole -= begins[0] if len(begins) == 1 else np.array(begins).repeat(self._chunk)
        self._windows[taps][whole] = powers.T.dot(kernel.coefficients)
        heard = np.empty((len(sounds), count), np.float32)
        chunks = matrix.reshape(-1, self._chunk, width)
        for chunk, begin in enumerate(begins):
            part = sounds[:, begin - kernel.before :][:, :width]
            out = heard[:, chunk * self._chunk : (chunk + 1) * self._chunk]
            np.matmul(part, chunks[chunk, :, : part.shape[1]].T, out=out)
        return heard
