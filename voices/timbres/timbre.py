"""A timbre: partials that sound in one slot, prepared for one sample rate, as arrays.

Units: cycles per frame, frames, nepers per frame, linear levels, phases in cycles.
Shapes: ``P`` partials, padded with silent ones to a multiple of `PADDING`; ``S`` sides: 1, or 2 for
what sounds differently left and right. Taking fewer leaves out shadows and noise first, then the
quietest; the loudest of each rank stand before all others.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from config.sound import Envelope, Sound, Velocity
from voices.curves import LN_1000, Course, db_to_gain, velocity_gain
from voices.modulation.vibrato_lfo import LONGEST_BLOCK
from voices.phases.onset_spectrum import KEPT, Onsets, OnsetSpectrum
from voices.timbres.harmonic_series import series_of, spreads_of

MIDDLE_C = 60
PADDING = 4
IN_RANK = 1024.0
"""Above any number in a series: what the place of a rank in its sound is multiplied by."""
OVERTONE, EVEN_OVERTONE = 1, 2
"""A partial above the key, and one at an even multiple of it."""
WHOLE_TURN = 100.0
"""What the column of a vowel in `Smoother` is where a knob has turned to it."""
SILENT = 1e-7
"""What is below this level (-140 dB) has ended."""
MAX_DECAY = 40.0 / LONGEST_BLOCK
"""Nepers per frame. A level that is counted back from its onset over the longest block grows by
e^40 at most, and float32 goes to e^88; at 48 kHz it is a T60 of 3.7 ms."""

EVENED_AT = np.array([1.0, 20.0, 40.0, 60.0, 80.0, 100.0, 127.0])
"""Velocities."""

STEPS, USUAL_STEP = 8, 6
"""Attacks differ by steps of sixteen velocities, and velocity 100 is in the usual one."""

Values = Sequence[float] | NDArray[np.float64]


@dataclass(frozen=True)
class Spec:
    """What a timbre is made from; lists are in any order, levels without those of the sound."""

    ratios: Values
    levels: Values
    numbers: Values
    """The place of each partial in its series, from 1, plus `IN_RANK` times that of its rank."""
    harmonics: Values
    """The ratio that each partial is meant to have, before it is stretched or detuned; 0: none."""
    phasors: NDArray[np.complex128]
    """Phase, and level beside the partial's own, on each side, as turns of a cosine; in sets, of
    which notes take one after the other: (sets, S, P)."""
    decays_s: Values | None
    """T60 of each partial; None: none decays by itself."""
    envelope: Envelope
    velocity: Velocity
    decay_per_octave: float = 1.0
    """What the decays are multiplied by for every octave above C4; 1 if they are one key's."""
    swell_db: float = 0.0
    first_to_go: NDArray[np.bool_] | None = None
    """Partials that are left out before all others; None: the quietest."""
    vowels_db: NDArray[np.float64] | None = None
    """By how much each partial is louder in the middle vowel, and in the last one, (2, P)."""
    spreads: NDArray[np.float64] | None = None
    """By what part of its frequency each partial is higher for all of a stretch and of a detuning
    that are 1, (2, P); None: nothing spreads them."""
    noise_touch_db: float = 0.0
    """How much quieter those without a number are at velocity 1 than at 127, beside the others."""
    evening: NDArray[np.float64] | None = None
    """Gains at `EVENED_AT`, by which velocity changes the level as it is said to, whatever the
    tilt takes away; None: all 1. The noise needs none."""


def plain(sound: Sound) -> Spec:
    """Return what the timbre of a sound with one column of partials is made from.

    At rest such a sound is the sum of its sines, within rounding: to a millionth of its peak.
    """
    count = len(sound.ratios)
    return Spec(
        *(
            sound.ratios,
            sound.levels,
            range(1, count + 1),
            sound.harmonics,
            turns(np.array([[sound.phases]])),
            sound.decays_s,
        ),
        *(sound.envelope, sound.velocity, sound.decay_per_octave),
        spreads=spreads_of(
            np.array(sound.harmonics), 0.0 if sound.partials is None else sound.partials.stretch
        ),
    )


class Timbre:
    """One slot's partials at one sample rate. Once made, nothing in it changes.

    Parameters
    ----------
    sound
        Whose timbre it is.
    sample_rate
        Frames per second.
    spec
        Its partials; None: those of the sound, which has one column of them.
    """

    def __init__(self, sound: Sound, sample_rate: int, spec: Spec | None = None) -> None:
        spec = plain(sound) if spec is None else spec
        envelope = spec.envelope
        self.sound = sound
        self.velocity = spec.velocity
        self.count = len(spec.ratios)
        self.partials = padded(self.count)
        quiet_last = np.argsort(-np.array(spec.levels), kind="stable")
        tiers = _tiers(np.array(spec.numbers), quiet_last, spec.first_to_go)
        order = quiet_last[np.argsort(tiers[quiet_last], kind="stable")]
        self.least = max(PADDING, int((tiers == 0).sum()))
        """So many partials are always rendered: with fewer a whole rank would be gone."""
        self.properties = np.zeros((7, self.partials))
        """Ratio, octaves above the key, number in its series (plus `IN_RANK` times that of its
        rank), the dB that a dB of swell adds, whether it is an overtone, and by how
        much it is louder in two other vowels, over `WHOLE_TURN`: each (P,)."""
        self.ratios, self.octaves, numbers, swell, overtones, *vowels = self.properties
        if spec.vowels_db is not None:
            for row, told in zip(vowels, spec.vowels_db[:, order], strict=True):
                row[: self.count] = told / WHOLE_TURN
        numbers[: self.count] = np.array(spec.numbers)[order]  # 0 is padding
        overtones[: self.count] = _overtones(np.array(spec.harmonics, np.float64))[order]
        self.ratios[:] = self._padded(spec.ratios, order, 1.0)
        self.octaves[:] = np.log2(self.ratios)
        swell[:] = np.maximum(self.octaves, 0.0) * (spec.swell_db / 10)
        self.spreads = np.zeros((2, self.partials))
        """By what part of its frequency stretch and detuning, at 1, take each partial, (2, P)."""
        if spec.spreads is not None:
            self.spreads[:, : self.count] = spec.spreads[:, order]
        self.lowest, self.highest = min(spec.ratios), max(spec.ratios)
        *sets_and_sides, _ = spec.phasors.shape
        self._phasors = np.zeros((*sets_and_sides, self.partials), np.complex64)
        self._sets = len(self._phasors)
        self._phasors[:, :, : self.count] = spec.phasors[:, :, order]
        self.side_count = spec.phasors.shape[1]
        """How many sides it has: 1 or 2."""
        self.shape = self.partials, self.side_count
        """Which bank renders it."""
        self.levels = self._padded(spec.levels, order, 0.0) * db_to_gain(sound.level_db)
        """At full velocity, (P,)."""
        self.decays = np.zeros(self.partials)
        if spec.decays_s is not None:
            decays_s = self._padded(spec.decays_s, order, np.inf)
            self.decays = LN_1000 / (decays_s * sample_rate)
        self.any_decay = bool(self.decays.any())
        lasting = ((self.levels > 0.0) & (self.decays == 0.0)).nonzero()[0]
        self.series = series_of(self.ratios[lasting], numbers[lasting] % IN_RANK, lasting)
        """The harmonic series that its lasting partials are of; none where they are of many."""
        self._decay_per_octave = spec.decay_per_octave
        self.decay_rate = LN_1000 / (envelope.decay_s * sample_rate)
        self.release_rate = LN_1000 / (envelope.release_s * sample_rate)
        self.sustain = envelope.sustain
        self._noise_touch_db, self._evening = spec.noise_touch_db, spec.evening
        self.release_noise: Timbre | None = None
        """What is heard as its key is released."""
        self._noise = (numbers == 0.0).nonzero()[0]
        self.is_noise = not numbers.any()
        attack = envelope.attack_s * sample_rate
        octaves = 0.0 if self.is_noise else sound.effort.attack_octaves / (STEPS - 1)
        self.courses: tuple[Course, ...] = tuple(
            (attack * 2.0 ** ((USUAL_STEP - step) * octaves), self.sustain, self.decay_rate)
            for step in range(STEPS)
        )
        """Of the envelopes of its notes, until they are released, by step of the velocity; ..."""
        self.course = self.courses[USUAL_STEP]
        """... of a usual one."""
        self._above_key = np.where(numbers == 0.0, 0.0, np.maximum(self.octaves, 0.0))
        self._touched = bool(spec.velocity.range_db or spec.velocity.tilt_db or spec.noise_touch_db)
        """Whether a velocity changes anything."""
        self._onsets: Onsets = {}

    def _padded(
        self, values: Values, order: NDArray[np.intp], filler: float
    ) -> NDArray[np.float64]:
        padded = np.full(self.partials, filler)
        padded[: self.count] = np.array(values)[order]
        return padded

    def spectrum(self, velocity: int, which: int = 0) -> OnsetSpectrum:
        """Return the partials of a voice struck at a velocity, with one of the sets of phases."""
        if not self._touched:
            velocity = 127
        return (self._onsets.get(velocity) or self._strike(velocity))[which % self._sets]

    def _strike(self, velocity: int) -> list[OnsetSpectrum]:
        """Return, and keep for the next note, what a velocity makes of every set of phases."""
        curve, gain = self.velocity, velocity_gain(velocity, self.velocity.range_db)
        levels = self.levels * gain
        if curve.tilt_db:
            softness = (127 - velocity) / 126
            levels *= 10.0 ** (self._above_key * (-curve.tilt_db * softness / 20))
        if self._evening is not None:
            levels *= np.interp(velocity, EVENED_AT, self._evening)
        if self._noise_touch_db or self._evening is not None:
            range_db = min(60.0, curve.range_db + self._noise_touch_db)
            levels[self._noise] = self.levels[self._noise] * velocity_gain(velocity, range_db)
        narrow = levels.astype(np.float32)
        phasors = (self._phasors * narrow).astype(np.complex64, copy=False)
        silent_below = _silent_below(levels)
        struck = [
            OnsetSpectrum(phasors, which, narrow, silent_below) for which in range(self._sets)
        ]
        KEPT.keep(self._onsets, velocity, struck)
        return struck

    def with_levels(self, levels: NDArray[Any], which: int = 0) -> OnsetSpectrum:
        """Return the partials of a voice at these levels."""
        narrow = levels.astype(np.float32)
        phasors = narrow * self._phasors[which % self._sets]
        return OnsetSpectrum(phasors[None], 0, narrow, _silent_below(levels))

    def decays_at(self, key: int) -> NDArray[np.float64]:
        """Return the decay of each partial at a key."""
        if not self.any_decay:
            return self.decays
        factor: float = self._decay_per_octave ** ((key - MIDDLE_C) / 12)
        return np.minimum(self.decays / factor, MAX_DECAY)


def padded(partials: int) -> int:
    """Return how many partials so many are padded to."""
    return -(-partials // PADDING) * PADDING


def _tiers(
    numbers: NDArray[np.float64],
    quiet_last: NDArray[np.intp],
    first_to_go: NDArray[np.bool_] | None,
) -> NDArray[np.intp]:
    """Return what is left out last: 0 for the loudest partial of a rank, 2 for what goes first."""
    tiers = np.full(len(numbers), 1, np.intp)
    if first_to_go is not None:
        tiers[first_to_go] = 2
    lasting = quiet_last[tiers[quiet_last] < 2]
    ranks = (numbers[lasting] // IN_RANK).tolist()
    # Of each rank the loudest comes first in these, so last here, and stays.
    loudest = dict(zip(reversed(ranks), reversed(lasting.tolist()), strict=True))
    loudest.pop(0.0, None)
    tiers[list(loudest.values())] = 0
    return tiers


def _overtones(harmonics: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return which partials are overtones, by the ratios that they are meant to have."""
    halves = harmonics / 2
    even = np.abs(halves - np.rint(halves)) < 0.01
    return np.where(harmonics > 1.0, np.where(even, EVEN_OVERTONE, OVERTONE), 0.0)


def _silent_below(levels: NDArray[Any]) -> float:
    highest = float(levels.sum())  # of all samples
    return min(0.5, SILENT / max(highest, SILENT))


def turns(phases: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Return the phases of sines, in cycles, as turns of a cosine."""
    return np.asarray(np.exp(2j * np.pi * (phases - 0.25)))


def sides_of(pan: float) -> tuple[float, float]:
    """Return the gains left and right of a pan of -1 to 1; exactly 1 in the middle.

    Constant power: the squares of both are 2 together.
    """
    if pan == 0.0:
        return 1.0, 1.0
    angle = (pan + 1.0) * np.pi / 4
    return float(np.sqrt(2.0) * np.cos(angle)), float(np.sqrt(2.0) * np.sin(angle))
