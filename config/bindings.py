"""Bindings: knobs, pedals, wheels and pressure, and what each of them changes.

Units: those of `config.targets`; controller numbers 1 to 119.
"""

from typing import Annotated, Literal, get_args

from pydantic import (
    BeforeValidator,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from config.section import Section
from config.targets import TARGETS, WHICH, TargetName, check_which

Gesture = Literal["pitch_bend", "channel_pressure", "key_pressure"]
"""What moves beside the controllers with a number."""
GESTURES: tuple[Gesture, ...] = get_args(Gesture)


def _is_source(source: object) -> object:
    numbered = isinstance(source, int) and not isinstance(source, bool) and 1 <= source <= 119
    if numbered or source in GESTURES:
        return source
    raise ValueError(f"must be 1 to 119, or one of {', '.join(map(repr, GESTURES))}")


Source = Annotated[
    int | str,
    BeforeValidator(_is_source),
    WithJsonSchema(
        {"anyOf": [{"type": "integer", "minimum": 1, "maximum": 119}, {"enum": list(GESTURES)}]}
    ),
]


class Binding(Section):
    """One knob, and what it does."""

    control: Source
    """The knob's controller number (CC); or the wheel, or the pressure, by name."""
    target: TargetName
    """What it changes."""
    partial: int = 0
    """Which partial, counted from 1; only for the target ``partial``."""
    rank: int = 0
    """Which rank of the sound, counted from 1; only for the target ``rank``."""
    zone: int = 0
    """Which zone, counted from 1; only for the target ``zone``."""
    low: float | None = None
    """The meaning of 0, in the target's unit; left out: the usual one."""
    high: float | None = None
    """The meaning of 127, in the target's unit; left out: the usual one."""

    @field_validator("low", "high")
    @classmethod
    def _end_is_in_range(cls, end: float | None, info: ValidationInfo) -> float | None:
        row = TARGETS.get(info.data.get("target", ""))
        if row is not None and end is not None and not row.least <= end <= row.most:
            target = info.data["target"]
            raise ValueError(f'must be {row.least:g} to {row.most:g} with target = "{target}"')
        return end

    @model_validator(mode="after")
    def _one_of_several_is_named(self) -> "Binding":
        check_which(self.target, {key: getattr(self, key) for key in WHICH})
        return self

    @property
    def number(self) -> int:
        """Which of several, counted from 1; 0: there is but one."""
        return self.partial or self.rank or self.zone

    @property
    def words(self) -> str:
        """What it changes, as on the command line: ``tilt``, ``partial 3``."""
        return f"{self.target} {self.number}" if self.number else self.target

    @property
    def ends(self) -> tuple[float, float]:
        """The meaning of 0 and of 127, in the target's unit."""
        row = TARGETS[self.target]
        return (
            row.low if self.low is None else self.low,
            row.high if self.high is None else self.high,
        )

    @property
    def middle(self) -> float | None:
        """The meaning of 64; None: halfway between the ends."""
        usual = self.low is None and self.high is None
        return TARGETS[self.target].middle if usual else None
