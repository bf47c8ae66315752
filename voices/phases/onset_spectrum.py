"""The spectrum of a voice at its onset; so many are kept for the next note that begins alike.

Units: linear levels; bytes. Shapes: ``P`` partials, ``S`` sides. Threads: the instrument's.
"""

from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

MOST_BYTES = 4 << 20
"""What all timbres together keep at most."""


class OnsetSpectrum(NamedTuple):
    """The partials of a voice at its onset."""

    sets: NDArray[np.complex64]
    """Level and phase of each partial on each side, in sets, (sets, S, P) ..."""
    which: int
    """... of which it has this one."""
    levels: NDArray[np.float32]
    """Of each partial, (P,)."""
    silent_below: float
    """Of a lower level of the envelope nothing is heard."""


Onsets = dict[int, list[OnsetSpectrum]]
"""What a timbre keeps of its onsets: by velocity, one for every set of phases."""


class OldestFirst:
    """Drops the oldest of what timbres keep, whichever it belongs to.

    Parameters
    ----------
    most_bytes
        What all of them may keep together.
    """

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._bytes = 0
        self._kept: deque[tuple[Onsets, int, int]] = deque()

    def keep(self, onsets: Onsets, velocity: int, spectra: list[OnsetSpectrum]) -> None:
        """Have a timbre keep those of one velocity, in the place of older ones if need be."""
        size = spectra[0].sets.nbytes + spectra[0].levels.nbytes
        onsets[velocity] = spectra
        self._kept.append((onsets, velocity, size))
        self._bytes += size
        while self._bytes > self._most_bytes:
            owner, velocity, size = self._kept.popleft()
            del owner[velocity]
            self._bytes -= size


KEPT = OldestFirst(MOST_BYTES)
