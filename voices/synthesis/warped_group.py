"""A group of voices that share a warped time, and the tables from row to row it is drawn by.

Units: warped frames. Shapes: ``G`` voices of a group, ``P`` partials.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from voices.phases.reading_kernel import Kernel
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays

Key = tuple[int, int]
"""A row of `Smoother`, and the ratio of the tables to the keys, in billionths."""


@dataclass(slots=True)
class Group:
    """Voices that share a warped time."""

    rows: Rows
    slots: Sequence[Slot]
    motion_row: int
    ratio: float
    """Of the tables to the keys."""
    kernel: Kernel
    ahead: float = 0.0
    """How far the block's start is after the origin, of which the state is, in warped frames."""
    due: int = -1
    """The frame of the block for which that holds ..."""
    new: Sequence[Slot] = ()
    """... and the slots for which it does not yet."""
    further: NDArray[np.complex64] = field(init=False)
    """Factors from row to row of the tables, as far as is read: (G, 1, rows, P)."""

    def draw_further(
        self, arrays: VoiceArrays, reach: int, height: int, old: "Group | None"
    ) -> None:
        """Work out ``further``, as far as ``reach`` rows, from tables of ``height`` rows.

        What it has in common with the ``old`` group is known.
        """
        self.further = np.empty((len(self.slots), 1, reach, arrays.partials), np.complex64)
        new = list(range(len(self.slots)))
        if old is not None:
            places = {slot: place for place, slot in enumerate(old.slots)}
            new = [place for place in new if self.slots[place] not in places]
            for place, slot in enumerate(self.slots):
                if slot in places:
                    self.further[place] = old.further[places[slot]]
        if new:
            rows = [self.slots[place].index for place in new]
            outer, step = arrays.outer[rows], arrays.step[rows][:, None]
            power = np.ones_like(step)
            for begin in range(0, reach, height):
                some = self.further[:, 0, begin : begin + height]
                some[new] = outer[:, : some.shape[1]] * power
                power = power * step


def rows_of(numbers: list[int]) -> Rows:
    """Return rows in ascending order as they cost least."""
    first, last = numbers[0], numbers[-1]
    return slice(first, last + 1) if last - first == len(numbers) - 1 else np.array(numbers)
