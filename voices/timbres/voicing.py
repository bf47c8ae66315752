"""A voicing: the timbres in which a note of one sound sounds, key by key.

A sound with one column of partials has one timbre for all keys. A sound of ranks has one for each
group of its partials, and one for the noise of its onset. A key's timbres are worked out when they
are first asked for, and made as loud as those of every other key and sound.

Units: as in `voices.timbres.timbre`. Threads: the instrument's.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from config.rank import MAX_PARTIALS, Noise
from config.sound import Envelope, Sound, Velocity
from voices.curves import velocity_gain
from voices.timbres.evening import USUAL_VELOCITY, key_gain, touch_gains
from voices.timbres.ranks import (
    GOLDEN,
    TOGETHER_HZ,
    Group,
    groups,
    key_hz,
    noise_columns,
    octaves,
)
from voices.timbres.timbre import IN_RANK, Spec, Timbre, plain, turns

Shape = tuple[int, int]
"""How many partials a bank renders for each slot, and on how many sides."""
ALIKE = 3.0
"""Ranks that take no more times as long to rise as their noise are rendered together with it."""
MOST_KEPT = 192
"""So many voicings are kept for other instruments."""
PHASE_SETS = 16
"""Notes begin with one of so many sets of phases in turn, so that repeats are no copies."""
TWIN_CYCLES = 0.19
"""How far the two of a partial on both sides are apart in phase, where they have their place."""
BALANCE_KEYS = range(24, 109, 12)
"""C1, C2 ... C8."""


_UNEVEN = np.arange(1, MAX_PARTIALS + 1) ** 2 * GOLDEN
_SETS = 31.0 * np.arange(PHASE_SETS)[:, None]


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
        self.towards: Sound | None = None
        """The sound to which a knob leads it."""
        self._rate, self._mono = sample_rate, mono
        self._known: dict[int, tuple[Timbre, ...]] = {}
        self._groups: list[Group] = []
        self._single: tuple[Timbre, ...] | None = None
        if sound.ranks:
            self._groups = groups(sound)
            power = sum(float((group.columns(60).levels ** 2).sum()) for group in self._groups)
            self._strength = power**0.5 * self._evened(self.specs(60), 60)
            """What the level of a noise is beside."""
        else:
            self._single = (Timbre(sound, sample_rate),)
        self.shapes: dict[Shape, int] = {}
        """The banks that a note needs, and how many slots it has in each at most."""
        for timbre in self.all_timbres(60):
            self.shapes[timbre.shape] = self.shapes.get(timbre.shape, 0) + 1

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
            sound, specs = self.sound, self.specs(key)
            gain = self._evened(specs, key)
            self._even_vowels(specs, key, gain)
            gain *= self._balance(key)
            velocity = sound.velocity.model_copy(update={"tilt_db": self._tilt_db(key)})
            evening = touch_gains(specs, key, velocity.tilt_db)
            for place, spec in enumerate(specs):
                levels = np.asarray(spec.levels) * gain
                specs[place] = replace(spec, levels=levels, velocity=velocity, evening=evening)
            if sound.onset_noise is not None:
                noise = self._of_noise(sound.onset_noise, key)
                if self._groups[-1].rise_at(60) <= ALIKE * sound.onset_noise.rise_s:
                    specs[-1] = _with_noise(specs[-1], noise, sound.onset_noise.touch_db)
                else:
                    specs.append(noise)
            known = tuple(Timbre(sound, self._rate, spec) for spec in specs)
            if sound.release_noise is not None:
                noise = self._of_noise(sound.release_noise, key)
                known[0].release_noise = Timbre(sound, self._rate, noise)
            self._known[key] = known
        return known

    def all_timbres(self, key: int) -> Iterator[Timbre]:
        """Yield what a note on a key sounds in, and what is heard as the key is released."""
        for timbre in self.timbres(key):
            yield timbre
            if timbre.release_noise is not None:
                yield timbre.release_noise

    def _evened(self, specs: Sequence[Spec], key: int) -> float:
        """Return the gain that makes a key as loud as all others are."""
        usual = key_gain(specs, key, self._tilt_db(key))
        return usual / velocity_gain(USUAL_VELOCITY, self.sound.velocity.range_db)

    def _tilt_db(self, key: int) -> float:
        """Return how much duller velocity 1 is than 127 on a key, in dB per octave."""
        curve = self.sound.velocity
        return max(0.0, curve.tilt_db + curve.tilt_per_octave_db * octaves(key))

    def _even_vowels(self, specs: Sequence[Spec], key: int, gain: float) -> None:
        """Make every vowel as loud as the first, whose gain is given."""
        turning = [spec for spec in specs if spec.vowels_db is not None]
        for row in range(2 if turning else 0):
            turned = [_turned_to(spec, row) for spec in specs]
            for spec in turning:
                assert spec.vowels_db is not None
                spec.vowels_db[row] += 20.0 * np.log10(self._evened(turned, key) / gain)

    def specs(self, key: int) -> list[Spec]:
        """Return what the groups of a note on a key are made from, noises and evening left out."""
        if not self._groups:
            return [plain(self.sound)]
        return [self._of_group(place, group, key) for place, group in enumerate(self._groups)]

    def _of_group(self, place: int, group: Group, key: int) -> Spec:
        sound, columns, slow = self.sound, group.columns(key), group.slow
        envelope = sound.envelope.model_copy(
            update={"attack_s": group.rise_at(key), "release_s": group.release_s}
        )
        phased = turns(phases(columns.ratios, group.twins, key, sound.seed + 31 * place))
        phasors = phased[:, None] * self._sides(columns.pans, key)
        right = group.twins > 0  # each is one partial with the left one before it
        phasors[:, :, np.roll(right, -1)] += phasors[:, :, right]
        kept = ~right
        shadows = slow & kept
        faded = group.shadow_decays_s(key, columns.decays_s[slow])[kept[slow]]

        def with_shadows(values: NDArray[Any]) -> NDArray[Any]:
            return np.concatenate([values[..., kept], values[..., shadows]], axis=-1)

        count = int(kept.sum())
        vowels_db = group.vowels_db(key, columns.ratios)
        return Spec(
            ratios=with_shadows(columns.ratios),
            levels=with_shadows(columns.levels),
            numbers=with_shadows(group.numbers + IN_RANK * self._places_of(group)),
            harmonics=with_shadows(columns.harmonics),
            phasors=np.concatenate([phasors[:, :, kept], -phasors[:, :, shadows]], axis=2),
            decays_s=np.concatenate([columns.decays_s[kept], faded]),
            envelope=envelope,
            velocity=sound.velocity,
            swell_db=sound.effort.swell_db,
            first_to_go=np.arange(count + len(faded)) >= count,
            vowels_db=None if vowels_db is None else with_shadows(vowels_db),
            spreads=with_shadows(columns.spreads),
        )

    def _places_of(self, group: Group) -> NDArray[np.float64]:
        """Return the place in the sound of each partial's rank, from 1."""
        places = {id(rank): place for place, rank in enumerate(self.sound.ranks, 1)}
        return np.array([float(places[id(rank)]) for rank in group.ranks])

    def _of_noise(self, noise: Noise, key: int) -> Spec:
        sound, columns = self.sound, noise_columns(noise, key)
        nobody = np.zeros(noise.partials, np.intp)
        turned = turns(phases(columns.ratios, nobody, key, sound.seed + 977))[:, None]
        range_db = min(60.0, sound.velocity.range_db + noise.touch_db)
        return Spec(
            ratios=columns.ratios,
            levels=columns.levels * self._strength * self._balance(key),
            numbers=np.zeros(noise.partials),
            harmonics=columns.harmonics,
            phasors=turned * self._sides(columns.pans, key),
            decays_s=columns.decays_s,
            **_as_noise(noise.rise_s, range_db),
        )

    def _balance(self, key: int) -> float:
        levels_db = self.sound.balance_db
        return float(10.0 ** (np.interp(key, BALANCE_KEYS, levels_db) / 20)) if levels_db else 1.0

    def _sides(self, pans: NDArray[np.float64], key: int) -> NDArray[np.float64]:
        """Return the gains of partials on each side, (S, P)."""
        if self._mono:
            return np.ones((1, len(pans)))
        pans = np.clip(pans + self.sound.spread * (key - 60) / 24, -1.0, 1.0)
        angles = (pans + 1.0) * (np.pi / 4)
        gains = np.sqrt(2.0) * np.array([np.cos(angles), np.sin(angles)])
        return np.where(pans == 0.0, 1.0, gains)


@cache
def _as_noise(rise_s: float, range_db: float) -> dict[str, Any]:
    envelope = Envelope(attack_s=rise_s, release_s=1.0)
    return {"envelope": envelope, "velocity": Velocity(range_db=range_db)}


def _turned_to(spec: Spec, row: int) -> Spec:
    """Return what a knob makes of ranks where it has turned them to another vowel."""
    if spec.vowels_db is None:
        return spec
    return replace(spec, levels=np.asarray(spec.levels) * 10.0 ** (spec.vowels_db[row] / 20))


def _with_noise(ranks: Spec, noise: Spec, touch_db: float) -> Spec:
    """Return what ranks and a noise that rises as fast are made from, in one slot."""
    first_to_go = np.ones(len(noise.ratios), bool)
    vowels_db = ranks.vowels_db
    if vowels_db is not None:
        vowels_db = np.concatenate([vowels_db, np.zeros((2, len(noise.ratios)))], axis=1)
    return replace(
        ranks,
        ratios=np.concatenate([ranks.ratios, noise.ratios]),
        levels=np.concatenate([ranks.levels, noise.levels]),
        numbers=np.concatenate([ranks.numbers, noise.numbers]),
        harmonics=np.concatenate([ranks.harmonics, noise.harmonics]),
        phasors=np.concatenate([ranks.phasors, noise.phasors], axis=2),
        decays_s=np.concatenate([ranks.decays_s, noise.decays_s]),
        first_to_go=np.concatenate([ranks.first_to_go, first_to_go]),
        noise_touch_db=touch_db,
        vowels_db=vowels_db,
        spreads=np.concatenate([ranks.spreads, np.zeros((2, len(noise.ratios)))], axis=1),
    )


def phases(
    ratios: NDArray[np.float64], twins: NDArray[np.intp], key: int, seed: int
) -> NDArray[np.float64]:
    """Return `PHASE_SETS` sets of phases of partials on a key, in cycles, (sets, P).

    They look random, but partials less than a semitone apart keep the phase that they have to
    each other: so repeats begin alike in level. Twins are apart, more so the higher they are.
    """
    octaves = np.log2(ratios)
    pitches = np.rint(12.0 * octaves)
    own = np.where(twins != 0, pitches * GOLDEN, _UNEVEN[: len(ratios)] + seed * 0.37)
    high = np.clip(octaves + np.log2(key_hz(key) / TOGETHER_HZ), 0.0, 1.0)
    own += twins * (high * TWIN_CYCLES + 0.04) / 2
    return np.asarray((own + (pitches + _SETS) ** 2 * GOLDEN) % 1.0)


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
