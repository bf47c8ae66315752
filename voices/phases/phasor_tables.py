"""Tables of phasor powers, with which a block of partials is one matrix product.

A partial is ``Re s·z^n`` with ``z = e^(iω - d)``, d the partial's decay. With the frame index
written n = r·C + c, a block of R·C frames is the product of a matrix of row factors ``s·z^(rC)``
and a matrix of column factors ``z^c``. Both come from repeated squaring in double precision; in
single precision the squaring alone would cost 30 to 60 dB.

Shapes: ``K`` voices, ``P`` partials, ``R`` rows of ``C`` columns. Complex numbers are stored as
pairs of reals, so that the product is a real one of inner length 2P.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

FADE_START = 0.4975
"""Cycles per frame from which a partial fades; at 0.5, Nyquist, it is silent."""


def shape_of(frames: int, sides: int = 1) -> tuple[int, int]:
    """Return how many rows and columns a block is cut into.

    The product costs least with about four rows, those of both sides together; and no row is longer
    than a control period.
    """
    columns = min(frames, sides * (16 if frames <= 64 else 32 if frames <= 128 else 64), 64)
    return frames // columns, columns


class Tables(NamedTuple):
    """Factors of K voices for blocks of one length."""

    rows: NDArray[np.complex64]
    """Shape (K, R, P): ``z^(rC)``."""
    columns: NDArray[np.float32]
    """Shape (K, 2P, C): alternately the real part of ``z^c`` and its negative imaginary part."""
    step: NDArray[np.complex128]
    """Shape (K, P): ``z^(RC)``, from one block to the next."""
    i_omega: NDArray[np.complex64]
    """Shape (K, P): i times the radians per frame."""
    weight: NDArray[np.float32]
    """Shape (K, P): 1, less towards Nyquist, where a partial is silent."""


def powers(z: NDArray[np.complex128], count: int) -> NDArray[np.complex128]:
    """Return ``z^0 ... z^(count-1)`` along a new first axis; ``count`` a power of two."""
    result = np.empty((count, *z.shape), np.complex128)
    result[0] = 1.0
    square, done = z, 1
    while done < count:
        np.multiply(result[:done], square, out=result[done : 2 * done])
        square = square * square
        done *= 2
    return result


def tables(
    frequencies: NDArray[np.float64], decays: NDArray[np.float64], frames: int, sides: int = 1
) -> Tables:
    """Return the tables of partials, (K, P), in cycles and nepers per frame."""
    voices, partials = frequencies.shape
    rows, columns = shape_of(frames, sides)
    exponents = (2j * np.pi * frequencies - decays).astype(np.complex128, copy=False)
    inner = powers(np.exp(exponents), columns).transpose(1, 2, 0)
    column_table = np.empty((voices, partials, 2, columns), np.float32)
    column_table[:, :, 0] = inner.real
    np.negative(inner.imag, out=column_table[:, :, 1], casting="same_kind")
    outer = powers(np.exp(exponents * columns), rows).transpose(1, 0, 2)
    return Tables(
        np.ascontiguousarray(outer, np.complex64),
        column_table.reshape(voices, 2 * partials, columns),
        np.exp(exponents * frames),
        (2j * np.pi * frequencies).astype(np.complex64),
        below_nyquist(frequencies).astype(np.float32),
    )


def below_nyquist(frequencies: NDArray[Any]) -> NDArray[Any]:
    """Return the weight of partials, in cycles per frame: 1, fading to 0 towards Nyquist."""
    return np.asarray(np.clip((0.5 - frequencies) / (0.5 - FADE_START), 0.0, 1.0))
