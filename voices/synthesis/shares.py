"""The shares of voices: by what part of its frequency a knob moves each partial.

Shapes: ``K`` voices of ``P`` partials; two knobs, stretch and detuning.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from config.targets import TARGETS
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays

Array = NDArray[Any]

_FARTHEST = TARGETS["stretch"].most, TARGETS["detuning"].most - 1.0
"""Nothing turns a knob any further."""


def spread_turn(arrays: VoiceArrays, rows: Rows) -> Array:
    """Return the cycles over its ratio by which each partial is ahead of its key, (V, P)."""
    return np.asarray(np.matmul(arrays.spread_cycles[rows][:, None], arrays.spreads[rows])[:, 0])


def find_shares(arrays: VoiceArrays, slots: Sequence[Slot], rows: Rows) -> None:
    """Have the shares of voices in the arrays, whose keys have turned nothing x-fold if new."""
    arrays.spreading = True
    if not arrays.spread_known[rows].all():
        for row in np.arange(len(arrays.spread_known))[rows].tolist():
            if not arrays.spread_known[row]:
                arrays.spreads[row] = slots[row].timbre.spreads
                arrays.spread_cycles[row], arrays.spread_known[row] = 0.0, True


class Members:
    """K voices: what of them stays from block to block.

    Parameters
    ----------
    arrays, rows, partials
        The voices.
    """

    def __init__(self, arrays: VoiceArrays, rows: Rows, partials: int) -> None:
        self.key = (arrays.changes, rows, partials)
        self.arrays, self.rows = arrays, rows
        self.pitches = arrays.ratios[rows, :partials]
        self.shares = [arrays.spreads[rows, knob, :partials] for knob in range(2)]
        self.spread_pitches = [self.pitches * share for share in self.shares]
        self.most = [float(np.abs(share).max()) for share in self.shares]
        """The greatest of each knob's shares ..."""
        frequency = arrays.frequency[rows][:, None]
        self.farthest = [float((frequency * np.abs(p)).max()) for p in self.spread_pitches]
        """... and how far one would move a partial at most, in cycles per frame."""
        self.highest = float(arrays.highest[rows].max())
        """The frequency of the highest partial, not bent."""
        self.widest = 1.0 + sum(most * far for most, far in zip(self.most, _FARTHEST, strict=True))
        """Wherever the knobs are, no frequency is multiplied by more."""
        self.moved = [np.count_nonzero(arrays.spread_cycles[rows, knob]) > 0 for knob in range(2)]
        """Whether a knob has moved anything."""
        self._i_omegas: dict[int, NDArray[np.complex64]] = {}
        self._both: dict[int, Array] = {}

    def both_pitches(self, knob: int) -> Array:
        """Return the ratios of partials, and what a knob adds to them, (K, 2, P)."""
        if knob not in self._both:
            self._both[knob] = np.stack([self.pitches, self.spread_pitches[knob]], axis=1)
        return self._both[knob]

    def i_omega(self, knob: int, whole: NDArray[np.complex64]) -> NDArray[np.complex64]:
        """Return what a frame of a knob's own turning is in i times radians, by the partials'."""
        if knob not in self._i_omegas:
            self._i_omegas[knob] = whole * self.shares[knob].astype(np.float32)
        return self._i_omegas[knob]
