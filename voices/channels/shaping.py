"""Shaping: what bound knobs and the sound controllers have set, target by target.

A channel has its own; what all channels share stands in the part's.

Units: those of `config.targets`; each attribute has the name of its target.
"""

from config.bindings import Binding
from voices.curves import Course, db_to_gain


class Shaping:
    """One value for every target."""

    def __init__(self) -> None:
        self.volume = self.tilt = self.overtones = self.even = self.odd = 0.0
        self.pan = self.tuning = self.stretch = 0.0
        self.detuning = 1.0
        self.attack = self.decay = self.sustain = self.release = 0.0
        self.vowel = self.morph = self.effort = self.vibrato_depth = 0.0
        self.vibrato_rate: float | None = None
        """None, here and below: what the settings say."""
        self.tremulant: float | None = None
        self.room: float | None = None
        self.blend: float | None = None
        self.partial: dict[int, float] = {}
        """By number, from 1; one that is not there is at 0 dB, as below."""
        self.rank: dict[int, float] = {}
        self.zone: dict[int, float] = {}

    def sustained(self, level: float) -> float:
        """Return where a note that would rest at a level comes to rest."""
        return level * db_to_gain(self.sustain) if self.sustain else level

    def shaped(self, course: Course) -> Course:
        """Return what the envelopes of new notes become."""
        rise, rest, rate = course
        return rise * 2.0**self.attack, self.sustained(rest), rate / 2.0**self.decay

    def value(self, binding: Binding, settings: float) -> float:
        """Return the value of a binding's target; ``settings`` is what they say it is."""
        found = getattr(self, binding.target)
        if isinstance(found, dict):
            found = found.get(binding.number)
        return settings if found is None else float(found)

    def put(self, binding: Binding, value: float) -> None:
        """Set a binding's target."""
        found = getattr(self, binding.target)
        if isinstance(found, dict):
            found[binding.number] = value
        else:
            setattr(self, binding.target, value)
