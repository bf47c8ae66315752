"""A voicing: the timbres in which a note of one sound sounds, key by key.

A sound with one column of partials has one timbre for all keys. A sound of ranks has one for each
group of its partials, and one for the noise of its onset; all of them are padded alike, so that
one bank renders them. A key's timbres are worked out when they are first asked for.

Units: as in `voices.synthesis.timbre`. Threads: the instrument's.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.rank import Noise
from config.sound import Envelope, Sound, Velocity
from voices.synthesis.ranks import Group, groups, noise_columns, phases
from voices.synthesis.timbre import IN_RANK, Spec, Timbre, padded_count

MOST_KEPT = 192
"""So many voicings are kept for other instruments."""
BALANCE_KEYS = range(24, 109, 12)
"""C1, C2 ... C8."""


class Voicing:
    """The timbres of one sound at one sample rate.

    Parameters
    ----------
    sound
        What is played.
    sample_rate
        Frames per second.
    mono
        Whether everything stands in the middle.
    """

    def __init__(self, sound: Sound, sample_rate: int, *, mono: bool = False) -> None:
        self.sound = sound
        self._rate, self._mono = sample_rate, mono
        self._known: dict[int, tuple[Timbre, ...]] = {}
        self._groups: list[Group] = []
        if not sound.ranks:
            self._single: tuple[Timbre, ...] | None = (Timbre(sound, sample_rate),)
            self.partials = self._single[0].partials
            self.slots = 1
            return
        self._single = None
        self._groups = groups(sound)
        noises = [each for each in (sound.onset_noise, sound.release_noise) if each]
        counts = [group.count for group in self._groups] + [each.partials for each in noises]
        self.partials = padded_count(max(counts))
        """How many partials each of its timbres is padded to."""
        self.slots = len(self._groups) + len(noises)
        """How many slots a note has at most."""
        power = sum(float((group.columns(60).levels ** 2).sum()) for group in self._groups)
        self._strength = power**0.5

    @property
    def swells(self) -> bool:
        """Whether the swell changes its spectrum."""
        return self.sound.effort.swell_db > 0.0

    def timbres(self, key: int) -> Sequence[Timbre]:
        """Return what a note on a key sounds in."""
        if self._single is not None:
            return self._single
        known = self._known.get(key)
        if known is None:
            made = [self._of_group(place, group, key) for place, group in enumerate(self._groups)]
            if self.sound.onset_noise is not None:
                made.append(self._of_noise(self.sound.onset_noise, key))
            if self.sound.release_noise is not None:
                made[0].release_noise = self._of_noise(self.sound.release_noise, key)
            known = self._known[key] = tuple(made)
        return known

    def _of_group(self, place: int, group: Group, key: int) -> Timbre:
        sound, columns = self.sound, group.columns(key)
        envelope = sound.envelope.model_copy(
            update={"attack_s": group.rise_at(key), "release_s": group.release_s}
        )
        seed = sound.seed + 31 * place
        spec = Spec(
            ratios=columns.ratios,
            levels=columns.levels * self._balance(key),
            numbers=group.numbers + IN_RANK * self._places_of(group),
            harmonics=columns.harmonics,
            phases=phases(columns.ratios, group.twins, key, seed),
            decays_s=columns.decays_s,
            envelope=envelope,
            velocity=sound.velocity,
            swell_db=sound.effort.swell_db,
            pan=self._pan(group.pan_at(key), key),
        )
        return Timbre(sound, self._rate, spec, self.partials)

    def _places_of(self, group: Group) -> NDArray[np.float64]:
        """Return the place in the sound of each partial's rank, from 1."""
        places = {id(rank): place for place, rank in enumerate(self.sound.ranks, 1)}
        return np.array([float(places[id(rank)]) for rank in group.ranks])

    def _of_noise(self, noise: Noise, key: int) -> Timbre:
        sound, columns = self.sound, noise_columns(noise, key)
        nobody = np.zeros(noise.partials, np.intp)
        range_db = min(60.0, sound.velocity.range_db + noise.touch_db)
        spec = Spec(
            ratios=columns.ratios,
            levels=columns.levels * self._strength * self._balance(key),
            numbers=np.zeros(noise.partials),
            harmonics=columns.harmonics,
            phases=phases(columns.ratios, nobody, key, sound.seed + 977),
            decays_s=columns.decays_s,
            envelope=Envelope(attack_s=noise.rise_s, release_s=1.0),
            velocity=Velocity(range_db=range_db),
            pan=self._pan(0.0, key),
        )
        return Timbre(sound, self._rate, spec, self.partials)

    def _balance(self, key: int) -> float:
        levels_db = self.sound.balance_db
        return float(10.0 ** (np.interp(key, BALANCE_KEYS, levels_db) / 20)) if levels_db else 1.0

    def _pan(self, pan: float, key: int) -> float:
        if self._mono:
            return 0.0
        return min(1.0, max(-1.0, pan + self.sound.spread * (key - 60) / 24))


_known: dict[tuple[int, int, bool], Voicing] = {}


def voicing_of(sound: Sound, sample_rate: int, *, mono: bool) -> Voicing:
    """Return the voicing of a sound; instruments and later players share what is worked out."""
    key = (id(sound), sample_rate, mono)
    known = _known.get(key)
    if known is None or known.sound is not sound:
        if len(_known) >= MOST_KEPT:
            _known.pop(next(iter(_known)))
        known = _known[key] = Voicing(sound, sample_rate, mono=mono)
    return known


class Partial(NamedTuple):
    """One partial of a note, as a list or a picture shows it."""

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
        pan, rise = group.pan_at(key), group.rise_at(key)
        columns = group.columns(key)
        heard = (columns.ratios, columns.levels, columns.decays_s)
        rows = zip(*(column.tolist() for column in heard), strict=True)
        found += [Partial(ratio, level, decay, pan, rise) for ratio, level, decay in rows]
    return sorted(found)
