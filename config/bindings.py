"""Bindings: what knobs, pedals, wheels and pressure change, and what lights on a controller show.

Units: those of `config.targets`; controller numbers 1 to 119, keys 0 to 127, octaves.
"""

import re
from collections.abc import Sequence
from typing import Annotated, Literal, get_args

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from config.targets import TARGETS, WHICH, TargetName, check_which, travel
from config.toml.section import Section

Gesture = Literal["pitch_bend", "channel_pressure", "key_pressure"]
"""What moves beside the controllers with a number."""
GESTURES: tuple[Gesture, ...] = get_args(Gesture)


_SWITCHES = range(64, 70)
"""Pedals that are up or down."""


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
    def stays(self) -> bool:
        """Whether the control stays where it is left: no pressure, pitch wheel, switch pedal."""
        return isinstance(self.control, int) and self.control not in _SWITCHES

    @property
    def ends(self) -> tuple[float, float]:
        """The meaning of 0 and of 127, in the target's unit."""
        return travel(self.target, self.low, self.high)[:2]


def played_targets(bindings: Sequence[Binding]) -> set[tuple[str, int]]:
    """Return the targets, and which one, that only controls move which spring back."""
    found = {(each.target, each.number) for each in bindings if not each.stays}
    return found - {(each.target, each.number) for each in bindings if each.stays}


Shown = Literal["ready", "sounding", "stealing", "overload", "octave", "zone"]
_MESSAGE = re.compile(r"(note|control) ([0-9]{1,3})")


def _is_message(words: str) -> str:
    match = _MESSAGE.fullmatch(words)
    if not (match and int(match[2]) <= (127 if match[1] == "note" else 119)):
        raise ValueError("must be like 'note 60' (0 to 127) or 'control 20' (0 to 119)")
    return words


class Light(Section):
    """A light on the controller, and what it shows."""

    shows: Shown
    """What it shows."""
    sends: Annotated[str, AfterValidator(_is_message)]
    """What lights it: ``note`` or ``control``, and its number."""
    channel: int = Field(default=1, ge=1, le=16)
    """The MIDI channel on which it is sent."""
    on: int = Field(default=127, ge=0, le=127)
    """The velocity, or the value, that lights it."""
    off: int = Field(default=0, ge=0, le=127)
    """The one that makes it dark."""
    which: int = Field(default=0, ge=-5, le=16)
    """Which zone; or which octave, 0: any but the one that is written."""

    @model_validator(mode="after")
    def _one_of_several_is_named(self) -> "Light":
        given = f'which = {self.which}: must be %s with shows = "{self.shows}"'
        if self.shows == "zone" and self.which < 1:
            raise ValueError(given % "1 to 16")
        if self.shows == "octave" and self.which > 5:
            raise ValueError(given % "-5 to 5")
        if self.shows not in ("zone", "octave") and self.which:
            raise ValueError(given % "left out")
        return self

    @property
    def message(self) -> tuple[str, int]:
        """What is sent, ``note`` or ``control``, and its number."""
        kind, number = self.sends.split()
        return kind, int(number)
