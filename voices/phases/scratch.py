"""Scratch memory: what the banks of an instrument work in, one after the other.

Each of them could have its own, but there are as many banks as sounds have numbers of partials, and
most of them are silent.

Shapes: as those who ask for it. Threads: the arrays belong to whoever renders; a bank may be made
beside it, and asks for them then.
"""

from math import prod

import numpy as np
from numpy.typing import NDArray

from voices.phases.chirps import Chirps
from voices.phases.periods import PeriodReader, PeriodStore
from voices.phases.reading_kernel import Reader

PLACES = 64
"""So many periods there are room for."""


class Scratch:
    """For blocks of ``frames``, read along a warped time no faster than ``fastest``."""

    def __init__(self, frames: int, fastest: float) -> None:
        self.chirps = Chirps()
        self.reader = Reader(frames, fastest)
        self.period_reader = PeriodReader()
        self.periods = PeriodStore(PLACES)
        self._narrow = self._left = np.zeros(0, np.complex64)

    def narrow(self, *shape: int) -> NDArray[np.complex64]:
        """Return an array for the states of voices in single precision."""
        self._narrow = _at_least(self._narrow, prod(shape))
        return self._narrow[: prod(shape)].reshape(shape)

    def left(self, *shape: int) -> NDArray[np.complex64]:
        """Return an array for the rows of their blocks, the left side of a product."""
        self._left = _at_least(self._left, prod(shape))
        return self._left[: prod(shape)].reshape(shape)


def _at_least(known: NDArray[np.complex64], size: int) -> NDArray[np.complex64]:
    """Return an array that is large enough: what is known, or another, for those who ask now."""
    # Filled, and not only zero: the system provides a page when it is first written to, and the
    # audio path would have to wait for it.
    return known if len(known) >= size else np.full(size, 0.0, np.complex64)
