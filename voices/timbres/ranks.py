"""The ranks of a sound worked out: groups of partials, each with columns for every key.

A note has a slot for each group: one, or two if its low partials take longer to fall once the key
is released. Partials that rise later than the others, low or high, have a shadow: the same one
turned by half a cycle, which is gone in that time. What depends on the key (formants, breaks,
beats, stretch, decay, place) is worked out when a sound is loaded or a key is first struck.

Units: frequency ratios, linear levels, cycles, seconds, pan -1 to 1. Shapes: ``P`` partials of a
group; a key is 0 to 127.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.rank import Formant, Noise, Rank
from config.sound import Sound
from voices.timbres.harmonic_series import spreads_of, stretched

MIDDLE_C, MIDDLE_C_HZ = 60, 261.6256
LOW = 2
"""Partials up to this one stand on both sides of a wide rank, and rise with the lowest."""
TOGETHER_HZ = 150.0
"""Up to here partials stand in the middle, for bass has no side; an octave above in their place."""
RISES_IN = 1.85
"""The T60 of the shadow of a partial, over the length of the raised cosine that takes as long from
a tenth to nine tenths."""
SHORTEST_DECAY_S = 0.02
MAX_BEATS = 0.5
"""By more than this part of its frequency no partial beats, not even on the lowest keys."""
WOUND = 0.45
"""Bass strings are wound: the stretch falls no further below that at C4 (F. Rigaud et al. 2013)."""
GOLDEN = 0.6180339887498949
NULL_DB = -26.0  # of a point of contact; real ones are 15 to 25 dB deep

Array = NDArray[np.float64]


class Columns(NamedTuple):
    """A group's partials on a key, each (P,)."""

    ratios: Array
    harmonics: Array
    """The ratios without stretch, beats and detuning; 0 for a noise."""
    levels: Array
    decays_s: Array
    """T60; infinite where a partial does not decay by itself."""
    pans: Array
    spreads: Array  # (2, P), as in a timbre


@dataclass(frozen=True)
class Row:
    """One partial of a rank, or of a noise."""

    rank: Rank
    number: float
    """Its place in the series of its rank, from 1."""
    level_db: float
    cents: float
    beats_hz: float
    beats_each: bool
    """Whether it beats by its own frequency, not by its rank's."""
    twin: int
    """-1 and 1 for the left and the right one of a partial that sounds on both sides; else 0."""
    pan: float
    rise_s: float
    decay_s: float
    release_s: float


class Group:
    """Partials that are rendered in one slot.

    Parameters
    ----------
    rows
        The partials; the two of one that sounds on both sides follow each other.
    """

    def __init__(self, rows: Sequence[Row]) -> None:
        self.count = len(rows)
        self.numbers = np.array([row.number for row in rows])
        """The place of each partial in the series of its rank, (P,)."""
        self.ranks = [row.rank for row in rows]
        self.twins = np.array([row.twin for row in rows])
        self._level_db = np.array([row.level_db for row in rows])
        self._tuning = np.array([2.0 ** (row.cents / 1200) for row in rows])
        self._beats_hz = np.array([row.beats_hz for row in rows])
        self._beats_each = np.array([row.beats_each for row in rows])
        self._decay_s = np.array([row.decay_s for row in rows])
        self._pan = np.array([row.pan for row in rows])
        scalings = [row.rank.keys for row in rows]
        octaves = np.log2(np.maximum(self.numbers, 1.0))
        slopes = np.array([np.broadcast_to(each.slope_db, 2) for each in scalings]).T
        self._db_by_octave = np.array([each.level_db for each in scalings]) + slopes * octaves
        self._decay_by_octave = np.array([each.decay for each in scalings])
        self._stretch = np.array([row.rank.stretch for row in rows])
        self._stretch_by_octave = np.array([each.stretch for each in scalings])
        ranks = {id(row.rank): row.rank for row in rows}.values()
        members = [(rank, np.array([row.rank is rank for row in rows])) for rank in ranks]
        self._bodies = [(rank, those) for rank, those in members if rank.formants]
        self._breaking = [(rank, those) for rank, those in members if rank.breaks]
        pitches = {id(rank): rank.pitch for rank in ranks}
        self._pitch = np.array([pitches[id(row.rank)] for row in rows])
        fans = [(row.number <= LOW, row.rank.rise_s) for row in rows]
        slow = [isinstance(each, list) and low == (each[0] > each[1]) for low, each in fans]
        self.slow = np.array(slow) if not all(slow) else np.zeros(self.count, bool)
        """Which partials rise later than the others, (P,)."""
        rises = np.log([row.rise_s for row in rows])
        self._rise_s = float(np.exp(rises[~self.slow].mean()))
        self._slow_rise_s = np.exp(rises)
        self._rise_by_octave = scalings[0].rise
        self.release_s = float(np.exp(np.mean(np.log([row.release_s for row in rows]))))

    def rise_at(self, key: int) -> float:
        """Return how long the group takes to rise on a key, in seconds."""
        return float(np.clip(self._rise_s * self._rise_by_octave ** octaves(key), 0.001, 20.0))

    def shadow_decays_s(self, key: int, decays_s: Array) -> Array:
        """Return the T60 of the shadows of the slow partials, whose own are given, on a key."""
        rise_s = RISES_IN * self._slow_rise_s[self.slow] * self._rise_by_octave ** octaves(key)
        return np.asarray(1.0 / (1.0 / rise_s + 1.0 / decays_s))

    def columns(self, key: int) -> Columns:
        """Return the group's partials on a key."""
        octave, n = octaves(key), self.numbers
        wound = np.maximum(self._stretch_by_octave**octave, WOUND)
        stretch = np.minimum(0.1, self._stretch * wound)
        pitch = self._pitch.copy()
        for rank, those in self._breaking:
            pitch[those] = rank.pitch_at(key)
        harmonics = pitch * n
        ratios = harmonics * stretched(n, stretch)
        beating = key_hz(key) * np.where(self._beats_each, ratios, pitch)
        beats = np.clip(self._beats_hz / np.sqrt(beating * MIDDLE_C_HZ), -MAX_BEATS, MAX_BEATS)
        ratios *= (tuning := (1.0 + beats) * self._tuning)
        level_db = self._level_db + self._db_by_octave[int(octave > 0)] * octave
        for rank, members in self._bodies:
            hertz = key_hz(key) * ratios[members]
            level_db[members] += _body_db(rank.formants, rank.floor_db, hertz)
        decays_s = np.maximum(self._decay_s * self._decay_by_octave**octave, SHORTEST_DECAY_S)
        above = np.log2(key_hz(key) * ratios / TOGETHER_HZ)
        pans = self._pan * np.clip(above, 0.1, 1.0)
        spreads = spreads_of(n, stretch, wound, tuning)
        return Columns(ratios, harmonics, 10.0 ** (level_db / 20), decays_s, pans, spreads)

    def vowels_db(self, key: int, ratios: Array) -> Array | None:
        """Return by how much partials are louder in the middle vowel and in the last, (2, P)."""
        turning = [(rank, those) for rank, those in self._bodies if rank.vowels]
        if not turning:
            return None
        louder = np.zeros((2, self.count))
        for rank, those in turning:
            hertz = key_hz(key) * ratios[those]
            first, *others = (
                _body_db(each, rank.floor_db, hertz) for each in (rank.formants, *rank.vowels)
            )
            louder[1, those] = others[-1] - first
            louder[0, those] = others[0] - first if len(others) > 1 else louder[1, those] / 2
        return louder


def octaves(key: int) -> float:
    """Return how far a key is above C4."""
    return (key - MIDDLE_C) / 12


def key_hz(key: int) -> float:
    """Return the frequency of a key in equal temperament, for what stays where it is in hertz."""
    return float(MIDDLE_C_HZ * 2.0 ** octaves(key))


def groups(sound: Sound) -> list[Group]:
    """Return the groups of a sound's ranks."""
    rows = [row for rank in sound.ranks for row in _rows(rank, sound)]
    if not any(isinstance(rank.release_s, list) for rank in sound.ranks):
        return [Group(rows)]
    low = [row for row in rows if row.number <= LOW]
    high = [row for row in rows if row.number > LOW]
    return [Group(each) for each in (low, high) if each]


def _rows(rank: Rank, sound: Sound) -> list[Row]:
    envelope = sound.envelope
    count = rank.count
    numbers = rank.ratios or [float(n) for n in range(1, count + 1)]
    level_db = rank.level_db - 10 * np.log10(rank.voices) + _slope(numbers, rank.slope_db)
    level_db += rank.levels_db or 0.0
    level_db += [rank.even_db if number % 2 == 0 else 0.0 for number in numbers]
    if rank.contact:
        comb = np.abs(np.sin(np.pi * np.arange(1, count + 1) * rank.contact))
        level_db += np.maximum(20 * np.log10(np.maximum(comb, 1e-6)), NULL_DB)
    pans = _between(rank.pan, numbers)
    rises = _times(rank.rise_s or envelope.attack_s, numbers)
    decays = _times(rank.decay_s or np.inf, numbers)
    releases = _times(rank.release_s or envelope.release_s, numbers)
    rows: list[Row] = []
    for voice in range(rank.voices):
        out_of_tune = rank.cents + rank.spread_cents * _spread(voice, rank.voices)
        for n in range(count):
            alone = Row(
                rank=rank,
                number=numbers[n],
                level_db=float(level_db[n]),
                cents=out_of_tune,
                beats_hz=rank.beats_hz,
                beats_each=False,
                twin=0,
                pan=float(np.clip(pans[n] + rank.width * (-1.0) ** n, -1.0, 1.0)),
                rise_s=float(rises[n]),
                decay_s=float(decays[n]),
                release_s=float(releases[n]),
            )
            for row in _with_pair(alone):
                rows += _on_both_sides(row, float(pans[n])) if n < LOW else [row]
    return rows


def _on_both_sides(row: Row, pan: float) -> list[Row]:
    if not row.rank.width:
        return [row]
    return [
        replace(
            row,
            level_db=row.level_db - 3.0,
            twin=side,
            pan=float(np.clip(pan + row.rank.width * side, -1.0, 1.0)),
        )
        for side in (-1, 1)
    ]


def _with_pair(first: Row) -> list[Row]:
    pair = first.rank.pair
    if pair is None:
        return [first]
    second = replace(
        first,
        level_db=first.level_db + pair.level_db,
        cents=first.cents + pair.cents,
        beats_hz=pair.beats_hz or first.beats_hz,
        beats_each=bool(pair.beats_hz),
        decay_s=first.decay_s * pair.longer,
    )
    return [first, second]


def _between(ends: float | list[float], numbers: Sequence[float]) -> Array:
    """Return a value for each partial, evenly by octave from the first's to the last's."""
    first, last = ends if isinstance(ends, list) else (ends, ends)
    octaves = np.log2(np.array(numbers) / min(numbers))
    return np.asarray(first + (last - first) * octaves / max(float(octaves.max()), 1e-9))


def _times(ends: float | list[float], numbers: Sequence[float]) -> Array:
    """Return a time for each partial, of equal ratios by octave, from the first's to the last's."""
    if ends == np.inf:
        return np.full(len(numbers), np.inf)
    logarithms = np.log(ends).tolist()
    return np.asarray(np.exp(_between(logarithms, numbers)))


def _slope(numbers: Sequence[float], slopes: float | list[float]) -> Array:
    """Return the level of each partial by slopes in dB per octave at the first and the last."""
    octaves = np.log2(np.array(numbers) / min(numbers))
    first, last = slopes if isinstance(slopes, list) else (slopes, slopes)
    whole = max(float(octaves.max()), 1e-9)
    return np.asarray(first * octaves + (last - first) * octaves**2 / (2 * whole))


def _spread(voice: int, voices: int) -> float:
    """Return how far one of several is out of tune, in standard deviations."""
    place = (voice * GOLDEN + 0.31) % 1.0
    ranked = sorted((each * GOLDEN + 0.31) % 1.0 for each in range(voices))
    return NormalDist().inv_cdf((ranked.index(place) + 0.5) / voices)


def _body_db(formants: Sequence[Formant], floor_db: float, hertz: Array) -> Array:
    """Return what a body lets through at frequencies, in dB."""
    power = np.full_like(hertz, 10.0 ** (floor_db / 10))
    for each in formants:
        power += 10.0 ** (each.level_db / 10) / (1 + ((hertz - each.hz) / (each.width_hz / 2)) ** 2)
    return np.asarray(10 * np.log10(power))


def noise_columns(noise: Noise, key: int) -> Columns:
    """Return the partials of a noise on a key, beside ranks whose power is 1 at C4."""
    count = noise.partials
    low, high = noise.hz or noise.ratio or (1.0, 2.0)
    uneven = (np.arange(1, count + 1) ** 2 * GOLDEN) % 1.0
    places = low * (high / low) ** ((np.arange(count) + uneven) / count)
    level_db = noise.level_db + noise.slope_db * np.log2(places / low) - 10 * np.log10(count)
    ratios = places / key_hz(key) if noise.hz else places
    levels, decays_s = 10.0 ** (level_db / 20), _times(noise.decay_s, places.tolist())
    return Columns(ratios, np.zeros(count), levels, decays_s, np.zeros(count), np.zeros((2, count)))
