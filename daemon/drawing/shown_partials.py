"""The partials of a note, as lists and pictures show them.

Units: ratios to the key's frequency, linear levels, seconds; pan -1 (left) to 1 (right).
"""

from typing import NamedTuple

import numpy as np

from config.rank import Noise
from config.sound import Sound
from voices.timbres.ranks import RISES_IN, groups, noise_columns


class Partial(NamedTuple):
    """One partial of a note."""

    ratio: float
    level: float
    decay_s: float
    """T60; infinite where it does not decay by itself."""
    pan: float
    rise_s: float


def partials_of(sound: Sound, key: int = 60) -> list[Partial]:
    """Return the partials of a note on a key, the noises left out, by frequency."""
    if not sound.ranks:
        decays = sound.decays_s or (float("inf"),) * len(sound.ratios)
        rise = sound.envelope.attack_s
        rows = zip(sound.ratios, sound.levels, decays, strict=True)
        return [Partial(ratio, level, decay, 0.0, rise) for ratio, level, decay in rows]
    found = []
    for group in groups(sound):
        columns, rises = group.columns(key), np.full(group.count, group.rise_at(key))
        forever = np.full(int(group.slow.sum()), np.inf)
        rises[group.slow] = group.shadow_decays_s(key, forever) / RISES_IN
        shown = columns.ratios, columns.levels, columns.decays_s, columns.pans, rises
        found += [Partial(*row) for row in np.stack(shown, axis=1).tolist()]
    return sorted(found)


def noise_of(sound: Sound, noise: Noise, key: int = 60) -> list[tuple[float, float]]:
    """Return ratio and level of each partial of a noise, beside those of `partials_of`."""
    strength = np.sqrt(sum(partial.level**2 for partial in partials_of(sound)))
    columns = noise_columns(noise, key)
    return list(zip(columns.ratios.tolist(), (columns.levels * strength).tolist(), strict=True))
