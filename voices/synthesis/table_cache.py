"""The cache of phasor tables: of the keys that are about to be played, and of those that were.

Shapes: see `voices.synthesis.phasor_tables`. Threads: `keep` may be called beside the audio path;
all else belongs to it.
"""

from collections.abc import Iterable, Sequence

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
        self._kept: dict[Tuned, Place] = {}
        self._met: dict[Tuned, Place] = {}
        self._bytes = 0

    def keep(self, wanted: Iterable[Tuned]) -> None:
        """Have these tables ready, and no longer those that were kept before."""
        known = self._kept
        kept = {each: known[each] for each in wanted if each in known}
        missing: dict[int, list[Tuned]] = {}
        for each in wanted:
            if each not in kept:
                missing.setdefault(each[0].partials, []).append(each)
        for alike in missing.values():
            kept.update(_computed(alike, self._frames))
        self._kept = kept

    def find(self, wanted: Sequence[Tuned]) -> list[Place]:
        """Return where the tables of several keys are; those missing are computed, all at once.

        The timbres must be padded alike.
        """
        kept, met = self._kept, self._met
        places = [kept.get(each) or met.get(each) for each in wanted]
        if None in places:
            missing = [each for each, place in zip(wanted, places, strict=True) if not place]
            if self._bytes > MOST_BYTES:
                met.clear()
                self._bytes = 0
            computed = _computed(missing, self._frames)
            self._bytes += sum(table.nbytes for table in computed[missing[0]][0][:-1])
            met.update(computed)
            places = [place or computed[each] for each, place in zip(wanted, places, strict=True)]
        return [place for place in places if place]


def _computed(wanted: Sequence[Tuned], frames: int) -> dict[Tuned, Place]:
    frequencies = np.array([timbre.ratios * frequency for timbre, _, frequency in wanted])
    decays = np.array([timbre.decays_at(key) for timbre, key, _ in wanted])
    made = tables(frequencies, decays, frames)
    return {each: (made, row) for row, each in enumerate(wanted)}
