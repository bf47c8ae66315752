"""The cache of phasor tables: of the keys that are about to be played, and of those that were.

Shapes: see `voices.synthesis.phasor_tables`.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from voices.synthesis.phasor_tables import Tables, tables
from voices.synthesis.timbre import Timbre

MOST_BYTES = 6 << 20
"""Above this the tables that were met while playing are dropped (bent notes leave many that are
never needed again)."""

Tuned = tuple[Timbre, int, float]
"""A timbre, the key that was struck, and its frequency as bent, in cycles per frame."""
Place = tuple[Tables, int]
"""Tables of many keys, and a row of them."""


class TableCache:
    """Tables by timbre, key and frequency, for blocks of one length."""

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self.kept: Mapping[Tuned, Place] = {}
        """Those that were computed before they were needed."""
        self._met: dict[Tuned, Place] = {}
        self._bytes = 0

    def find(self, wanted: Sequence[Tuned]) -> list[Place]:
        """Return where the tables of several keys are; those missing are computed, all at once.

        The timbres must be padded alike.
        """
        kept, met = self.kept, self._met
        places = [kept.get(each) or met.get(each) for each in wanted]
        if None in places:
            missing = [each for each, place in zip(wanted, places, strict=True) if not place]
            if self._bytes > MOST_BYTES:
                met.clear()
                self._bytes = 0
            added = computed(missing, self._frames)
            self._bytes += sum(table.nbytes for table in added[missing[0]][0][:-1])
            met.update(added)
            places = [place or added[each] for each, place in zip(wanted, places, strict=True)]
        return [place for place in places if place]


def computed(wanted: Sequence[Tuned], frames: int) -> dict[Tuned, Place]:
    """Return the tables of several keys, all computed at once; the timbres are padded alike."""
    frequencies = np.array([timbre.ratios * frequency for timbre, _, frequency in wanted])
    decays = np.array([timbre.decays_at(key) for timbre, key, _ in wanted])
    made = tables(frequencies, decays, frames)
    return {each: (made, row) for row, each in enumerate(wanted)}
