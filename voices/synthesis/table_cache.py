"""The cache of phasor tables: those of keys that were played, for the next time.

Shapes: see `voices.synthesis.phasor_tables`.
"""

from collections.abc import Iterable, Sequence

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
            for timbre in {each[0] for each in missing}:
                self.prepare(timbre, [each[1:] for each in missing if each[0] is timbre])
        return [self._known[each] for each in wanted]

    def prepare(self, timbre: Timbre, keys: Iterable[tuple[int, float]]) -> None:
        """Compute the tables of several keys of one timbre, each key with its frequency."""
        keys = list(keys)
        frequencies = np.array([frequency for _, frequency in keys])[:, None] * timbre.ratios
        decays = np.array([timbre.decays_at(key) for key, _ in keys])
        made = tables(frequencies, decays, self._frames)
        self._bytes += sum(each.nbytes for each in made)
        for place, (key, frequency) in enumerate(keys):
            self._known[timbre, key, frequency] = Tables(*(each[place] for each in made))
