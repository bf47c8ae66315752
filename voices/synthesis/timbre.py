"""A timbre: a sound prepared for one sample rate, as arrays over its partials.

Units: cycles per frame, frames, nepers per frame, linear levels, phases in cycles.
Shapes: ``P`` partials, the loudest first (so that taking fewer leaves out the quietest), padded
with silent ones to a multiple of `PADDING`.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.sound import Sound
from voices.curves import LN_1000, db_to_gain, velocity_gain

MIDDLE_C = 60
PADDING = 4


class OnsetSpectrum(NamedTuple):
    """The partials of a voice at its onset, whatever its key."""

    fixed: NDArray[np.float64]
    """Shape (4, P): ratios, octaves, numbers, and the level of each partial."""
    starts: NDArray[np.complex64]
    """Level and phase of each partial at the onset, (P,)."""
    loudest: float
    """The sum of the levels."""


class Timbre:
    """One sound at one sample rate. Nothing in it changes."""

    def __init__(self, sound: Sound, sample_rate: int) -> None:
        envelope = sound.envelope
        self.sound = sound
        self.count = len(sound.ratios)
        self.partials = -(-self.count // PADDING) * PADDING
        order = np.argsort(-np.array(sound.levels), kind="stable")
        self.fixed = np.zeros((4, self.partials))
        """A row each: ratios, octaves, numbers, levels."""
        self.ratios, self.octaves, numbers, levels = self.fixed
        numbers[: self.count] = order + 1  # the place of each in the sound; 0 is padding
        self.ratios[:] = self._padded(sound.ratios, order, 1.0)
        self.octaves[:] = np.log2(self.ratios)
        self.lowest, self.highest = min(sound.ratios), max(sound.ratios)
        phases = self._padded(sound.phases, order, 0.0)
        self._onset = np.exp(2j * np.pi * (phases - 0.25))  # as turns of a cosine
        levels[:] = self._padded(sound.levels, order, 0.0) * db_to_gain(sound.level_db)
        self.decays = np.zeros(self.partials)
        if sound.decays_s is not None:
            decays_s = self._padded(sound.decays_s, order, np.inf)
            self.decays = LN_1000 / (decays_s * sample_rate)
        self.fading = bool(self.decays.any())
        self.attack = envelope.attack_s * sample_rate
        self.decay_rate = LN_1000 / (envelope.decay_s * sample_rate)
        self.release_rate = LN_1000 / (envelope.release_s * sample_rate)
        self.sustain = envelope.sustain
        self._struck: dict[int, OnsetSpectrum] = {}
        self._decays_at: dict[int, NDArray[np.float64]] = {}

    def _padded(
        self, values: Sequence[float], order: NDArray[np.intp], filler: float
    ) -> NDArray[np.float64]:
        padded = np.full(self.partials, filler)
        padded[: self.count] = np.array(values)[order]
        return padded

    def struck(self, velocity: int) -> OnsetSpectrum:
        """Return the partials of a voice struck at a velocity."""
        known = self._struck.get(velocity)
        if known is None:
            answer = self.sound.velocity
            levels = self.fixed[3] * velocity_gain(velocity, answer.range_db)
            softness = (127 - velocity) / 126
            levels *= 10.0 ** (self.octaves * (-answer.tilt_db * softness / 20))
            known = self._struck[velocity] = self.at(levels)
        return known

    def at(self, levels: NDArray[np.float64]) -> OnsetSpectrum:
        """Return the partials of a voice at these levels."""
        fixed = self.fixed.copy()
        fixed[3] = levels
        return OnsetSpectrum(
            fixed, (levels * self._onset).astype(np.complex64), float(levels.sum())
        )

    def decays_at(self, key: int) -> NDArray[np.float64]:
        """Return the decay of each partial at a key."""
        known = self._decays_at.get(key)
        if known is None:
            factor: float = self.sound.decay_per_octave ** ((key - MIDDLE_C) / 12)
            known = self._decays_at[key] = self.decays / factor
        return known
