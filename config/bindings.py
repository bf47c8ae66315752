"""Bindings: knobs, and what they change, each target with a range of its own.

Units: decibels, dB per octave, octaves of time (3: eight-fold).
"""

from typing import Annotated, ClassVar, Literal

from pydantic import Field, model_validator

from config.section import Section

Target = Literal["volume", "tilt", "attack", "release", "partial"]


class Binding(Section):
    """One knob, and what it does: the kind for each target is a class of its own."""

    control: int = Field(ge=1, le=119)
    """The knob's controller number (CC)."""
    target: Target
    """What it changes."""
    partial: int = 0
    """Which partial, counted from 1; only for the target ``partial``."""
    low: float | None = None
    """The meaning of 0, in the target's unit; left out: the usual one."""
    high: float | None = None
    """The meaning of 127, in the target's unit; left out: the usual one."""
    USUAL: ClassVar[tuple[float, float]]
    """The meaning of 0 and of 127 where the binding does not say."""

    @model_validator(mode="after")
    def _partial_is_named_exactly_when_needed(self) -> "Binding":
        given = f'partial = {self.partial}: must be %s with target = "{self.target}"'
        if self.target == "partial" and not 1 <= self.partial <= 128:
            raise ValueError(given % "1 to 128")
        if self.target != "partial" and self.partial:
            raise ValueError(given % "left out")
        return self

    @property
    def ends(self) -> tuple[float, float]:
        """The meaning of 0 and of 127, in the target's unit."""
        low, high = self.USUAL
        return (
            low if self.low is None else self.low,
            high if self.high is None else self.high,
        )


Decibels = Annotated[float | None, Field(ge=-80.0, le=24.0)]
Tilt = Annotated[float | None, Field(ge=-24.0, le=6.0)]
"""Above 6 dB per octave a chord of any musical sound stays at the ceiling."""
Octaves = Annotated[float | None, Field(ge=-10.0, le=10.0)]


class VolumeBinding(Binding):
    """A knob for the volume."""

    target: Literal["volume"]
    low: Decibels = None
    high: Decibels = None
    USUAL = (-40.0, 6.0)


class TiltBinding(Binding):
    """A knob for how bright every note is."""

    target: Literal["tilt"]
    low: Tilt = None
    high: Tilt = None
    USUAL = (-9.0, 3.0)


class AttackBinding(Binding):
    """A knob for how slowly notes begin."""

    target: Literal["attack"]
    low: Octaves = None
    high: Octaves = None
    USUAL = (-4.0, 4.0)


class ReleaseBinding(Binding):
    """A knob for how long notes ring."""

    target: Literal["release"]
    low: Octaves = None
    high: Octaves = None
    USUAL = (-4.0, 4.0)


class PartialBinding(Binding):
    """A knob for the level of one partial."""

    target: Literal["partial"]
    low: Decibels = None
    high: Decibels = None
    USUAL = (-60.0, 6.0)


BINDINGS: dict[Target, type[Binding]] = {
    "volume": VolumeBinding,
    "tilt": TiltBinding,
    "attack": AttackBinding,
    "release": ReleaseBinding,
    "partial": PartialBinding,
}
AnyBinding = Annotated[
    VolumeBinding | TiltBinding | AttackBinding | ReleaseBinding | PartialBinding,
    Field(discriminator="target"),
]
