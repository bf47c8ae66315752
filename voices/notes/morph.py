"""A morph: a sound whose partials a knob leads to the levels of another sound's, one by one.

A partial belongs to the nearest one of the other sound, if that is less than a third of a semitone
away on C4. What the other sound has not fades away; what it alone has comes in, at its own pitch
and in its own place. All else stays: rise, decay, release, touch and noises are those of the first.

Halfway each partial has the mean power of both. At either end what belongs to the other sound is
`FLOOR_DB` down.

Units: frequency ratios, linear levels, dB. Threads: the instrument's.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.rank import MAX_PARTIALS
from config.sound import Sound
from voices.timbres.timbre import IN_RANK, MIDDLE_C, Spec
from voices.timbres.voicing import Voicing, voicing_of

NEAR_OCTAVES = 1 / 36
FLOOR_DB = -80.0
"""As far down as a decay of 60 dB leads to what is never heard."""
OF_NO_RANK = 99.0
"""The rank that partials belong to that only the other sound has."""

Array = NDArray[Any]


class Lasting(NamedTuple):
    """The partials of a note, its shadows left out, (P,) each."""

    ratios: Array
    amplitudes: Array
    places: list[Array]
    """Of each group, where in it they are."""


class Morph(Voicing):
    """A sound of ranks on its way to another.

    Parameters
    ----------
    sound, towards
        The one that is played, and the other.
    sample_rate, mono
        As for every voicing.
    """

    def __init__(self, sound: Sound, towards: Sound, sample_rate: int, *, mono: bool) -> None:
        self._other = voicing_of(towards, sample_rate, mono=mono)
        self._match: tuple[Array, Array] | None = None
        super().__init__(sound, sample_rate, mono=mono)
        self.towards = towards

    def specs(self, key: int) -> list[Spec]:
        """Return what the groups of a note on a key are made from, with what the knob does."""
        made, others = super().specs(key), self._other.specs(key)
        own, other = _lasting(made), _lasting(others)
        if self._match is None:
            if key != MIDDLE_C:
                self.specs(MIDDLE_C)
            else:
                count = sum(len(spec.ratios) for spec in made)
                self._match = matched(own, other, MAX_PARTIALS - count)
            return self.specs(key)
        pairs, alone = self._match
        evened = np.sqrt((own.amplitudes**2).sum() / (other.amplitudes**2).sum())
        goal = np.zeros(len(own.ratios))
        goal[pairs[0]] = other.amplitudes[pairs[1]] * evened
        louder_db = 20.0 * np.log10(np.maximum(goal / own.amplitudes, 10.0 ** (FLOOR_DB / 20)))
        parts = np.split(louder_db, np.cumsum([len(each) for each in own.places])[:-1])
        for group, (spec, places, part) in enumerate(zip(made, own.places, parts, strict=True)):
            ratios = np.asarray(spec.ratios)
            nearest = np.abs(ratios[:, None] - ratios[places]).argmin(axis=1)  # shadows, too
            made[group] = replace(spec, vowels_db=_on_the_way(part[nearest]))
        if len(alone):
            made[-1] = _with_more(made[-1], _column(others, other, alone), evened)
        return made


def matched(own: Lasting, other: Lasting, room: int) -> tuple[Array, Array]:
    """Return which partials belong together, (2, pairs), and which the other sound has alone.

    Of these the loudest, as many as there is room for.
    """
    free = np.ones(len(own.ratios), bool)
    pairs: list[tuple[int, int]] = []
    alone: list[int] = []
    for each in np.argsort(-other.amplitudes, kind="stable").tolist():
        away = np.where(free, np.abs(np.log2(own.ratios / other.ratios[each])), np.inf)
        nearest = int(away.argmin())
        if away[nearest] <= NEAR_OCTAVES:
            free[nearest] = False
            pairs.append((nearest, each))
        elif len(alone) < room:
            alone.append(each)
    return np.array(pairs, np.intp).reshape(-1, 2).T, np.array(alone, np.intp)


def _lasting(specs: Sequence[Spec]) -> Lasting:
    ratios, amplitudes, places = [], [], []
    for spec in specs:
        gone = np.zeros(len(spec.ratios), bool) if spec.first_to_go is None else spec.first_to_go
        here = (~gone).nonzero()[0]
        of_sides = np.sqrt((np.abs(spec.phasors[0]) ** 2).mean(axis=0))
        ratios.append(np.asarray(spec.ratios)[here])
        amplitudes.append((np.asarray(spec.levels) * of_sides)[here])
        places.append(here)
    return Lasting(np.concatenate(ratios), np.concatenate(amplitudes), places)


def _on_the_way(louder_db: Array) -> Array:
    """Return by how much partials are louder halfway, where powers are added, and at the end."""
    return np.array([10.0 * np.log10((1.0 + 10.0 ** (louder_db / 10)) / 2), louder_db])


def _column(specs: Sequence[Spec], lasting: Lasting, chosen: Array) -> Spec:
    """Return some partials of a note, by their places among those that last, as one group."""

    def of(values: Sequence[Any]) -> Array:
        cut = [
            np.asarray(each)[..., here] for each, here in zip(values, lasting.places, strict=True)
        ]
        return np.concatenate(cut, axis=-1)[..., chosen]

    return replace(
        specs[0],
        ratios=of([spec.ratios for spec in specs]),
        levels=of([spec.levels for spec in specs]),
        numbers=of([spec.numbers for spec in specs]) % IN_RANK + IN_RANK * OF_NO_RANK,
        harmonics=of([spec.harmonics for spec in specs]),
        phasors=of([spec.phasors for spec in specs]),
        spreads=of([spec.spreads for spec in specs]),
    )


def _with_more(spec: Spec, more: Spec, evened: float) -> Spec:
    """Return a group with partials that are silent until the knob brings them in."""
    count, ratios = len(more.ratios), np.asarray(spec.ratios)
    near = np.abs(np.log2(ratios[:, None] / np.asarray(more.ratios))).argmin(axis=0)
    sides = np.broadcast_to(more.phasors, (*spec.phasors.shape[:2], count))
    levels = np.asarray(more.levels) * evened * 10.0 ** (FLOOR_DB / 20)
    decays_s, gone = np.asarray(spec.decays_s), np.asarray(spec.first_to_go)
    assert spec.vowels_db is not None
    return replace(
        spec,
        ratios=np.concatenate([ratios, more.ratios]),
        levels=np.concatenate([spec.levels, levels]),
        numbers=np.concatenate([spec.numbers, more.numbers]),
        harmonics=np.concatenate([spec.harmonics, more.harmonics]),
        phasors=np.concatenate([spec.phasors, sides], axis=2),
        decays_s=np.concatenate([decays_s, decays_s[near]]),
        first_to_go=np.concatenate([gone, np.zeros(count, bool)]),
        vowels_db=np.concatenate([spec.vowels_db, _on_the_way(np.full(count, -FLOOR_DB))], axis=1),
        spreads=np.concatenate([np.asarray(spec.spreads), np.asarray(more.spreads)], axis=1),
    )
