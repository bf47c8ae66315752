"""The cache of phasor tables: those of keys that were played, for the next time.

Shapes: see `voices.synthesis.phasor_tables`.
"""

from collections.abc import Sequence

import numpy as np

from voices.synthesis.phasor_tables import Tables, tables
from voices.synthesis.timbre import Timbre

MOST_BYTES = 6 << 20
"""Above this the cache is emptied (bent notes leave many tables that are never needed again)."""

Tuned = tuple[Timbre, int, float]
"""A timbre, the key that was struck, and its frequency as bent, in cycles per frame."""


class TableCache:
    """Tables by timbre, key and frequency, for blocks of one length."""

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._known: dict[Tuned, Tables] = {}
        self._bytes = 0

    def tables(self, wanted: Sequence[Tuned]) -> list[Tables]:
        """Return the tables of several keys; those missing are computed, all at once."""
        missing = [each for each in wanted if each not in self._known]
        if missing:
            if self._bytes > MOST_BYTES:
                self._known.clear()
                self._bytes, missing = 0, list(wanted)
            self.prepare(missing)
        return [self._known[each] for each in wanted]

    def prepare(self, wanted: Sequence[Tuned]) -> None:
        """Compute tables, all at once; the timbres must be padded alike."""
        frequencies = np.array([timbre.ratios * frequency for timbre, _, frequency in wanted])
        decays = np.array([timbre.decays_at(key) for timbre, key, _ in wanted])
        made = tables(frequencies, decays, self._frames)
        self._bytes += sum(each.nbytes for each in made)
        for place, each in enumerate(wanted):
            self._known[each] = Tables(*(table[place] for table in made))
