"""Gestures: while one key, pedal or button is held, the other keys are commands.

Units: keys 0 to 127, controller numbers 0 to 119, programs and zones counted from 1.
"""

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from config.toml.section import Section
from config.zones import MOST as MOST_ZONES

SIMPLE = (
    *("octave up", "octave down", "transpose up", "transpose down", "as written"),
    *("next sound", "previous sound", "latch", "tremulant", "keep", "panic", "forget"),
)
"""What a key may mean; and ``sound N`` and ``zone N``."""
NUMBERED = {"sound": 128, "zone": MOST_ZONES}
_WITH_NUMBER = re.compile(r"(sound|zone) ([1-9][0-9]{0,2})")
_HELD = re.compile(r"(key|control|program) ([0-9]{1,3})")
_RANGES = {"key": (0, 127), "control": (1, 119), "program": (1, 128)}

FORGET_STRIKES = 3
"""So often a key that means "forget" is struck, and no other between, before it counts."""
RESUME, ZONE_OFF, RESTED, TELL, RESTS, ORIGIN = 0xFF, 0x7F, 0x7E, 0x7D, 0x7C, 0x40
"""A message of three bytes that only the daemon sends, and what its second byte says."""
SOUND_CONTROLS = range(70, 76)
"""The controllers that shape a sound where they are not bound."""
TWELVE: dict[int, str] = {
    1: "previous sound",
    2: "octave down",
    3: "next sound",
    4: "octave up",
    5: "transpose down",
    6: "latch",
    7: "transpose up",
    8: "tremulant",
    9: "zone 1",
    10: "keep",
    11: "panic",
}
"""By how far a key is above the lowest one; that is free, for it may be the one that is held."""
TWENTY_FIVE: dict[int, str] = {
    **TWELVE,
    12: "as written",
    **{13: "zone 2", 15: "zone 3", 18: "zone 4", 20: "zone 5", 22: "zone 6"},
    **{14: "sound 1", 16: "sound 2", 17: "sound 3", 19: "sound 4", 21: "sound 5", 23: "sound 6"},
    24: "forget",
}
SETS = {"none": {}, "twelve keys": TWELVE, "twenty-five keys": TWENTY_FIVE}


def _is_command(words: str) -> str:
    match = _WITH_NUMBER.fullmatch(words)
    numbered = match and int(match[2]) <= NUMBERED[match[1]]
    if not (numbered or words in SIMPLE):
        known = ", ".join(repr(each) for each in SIMPLE)
        raise ValueError(f"must be one of {known}, 'sound 1' to 'sound 128', 'zone 1' to 'zone 16'")
    return words


def _is_held(words: str) -> str:
    match = _HELD.fullmatch(words)
    low, high = _RANGES[match[1]] if match else (1, 0)
    if words and not (match and low <= int(match[2]) <= high):
        raise ValueError(
            "must be empty, or like 'key 48' (0 to 127), 'control 66' (1 to 119) "
            "or 'program 8' (1 to 128)"
        )
    return words


class Gestures(Section):
    """Keys as commands."""

    held: Annotated[str, AfterValidator(_is_held)] = ""
    """What is held meanwhile: ``key``, ``control`` or ``program``, and its number; empty: no key
    is ever a command. A program button cannot be held: the next key is a command."""
    set: Literal["none", "twelve keys", "twenty-five keys"] = "none"
    """Ready-made commands for a small keyboard."""
    lowest: int = Field(default=48, ge=0, le=127)
    """The lowest key of that keyboard."""
    keys: dict[str, Annotated[str, AfterValidator(_is_command)]] = Field(default={})
    """Other commands, by key number; they replace those of the set."""

    @model_validator(mode="after")
    def _keys_are_keys(self) -> "Gestures":
        for key in self.keys:
            if not (key.isascii() and key.isdigit() and int(key) <= 127):
                raise ValueError(f"keys: '{key}' must be a key from 0 to 127")
        return self

    @property
    def modifier(self) -> tuple[str, int]:
        """What is held, and its number; ``("", 0)``: nothing ever is."""
        match = _HELD.fullmatch(self.held)
        return (match[1], int(match[2])) if match else ("", 0)

    @property
    def commands(self) -> dict[int, str]:
        """What each key means."""
        found = {self.lowest + above: words for above, words in SETS[self.set].items()}
        return found | {int(key): words for key, words in self.keys.items()}


def resuming(octave: int, transposed: int) -> bytes:
    """Return the message that has a controller where gestures had brought another instrument."""
    return bytes((RESUME, ORIGIN + octave, ORIGIN + transposed))


def rested(*, as_told: bool) -> bytes:
    """Return the message after which knobs are at rest with the next settings: a sound has it.

    ``as_told``: as it was when it was last told what they are at; or else as it is.
    """
    return bytes((RESUME, RESTED, as_told))


def resting(channel: int, number: int) -> bytes:
    """Return the message after which a sound controller rests where it stands: a sound has it.

    The channel counts from 0.
    """
    return bytes((RESUME, RESTS, channel * len(SOUND_CONTROLS) + SOUND_CONTROLS.index(number)))


def rests(place: int) -> tuple[int, int]:
    """Return the channel and the controller that the last byte of that message means."""
    channel, which = divmod(place, len(SOUND_CONTROLS))
    return channel, SOUND_CONTROLS[which]


def telling() -> bytes:
    """Return the message that asks for what knobs are at, told as a gesture without words."""
    return bytes((RESUME, TELL, 0))


def switching_off(zone: int) -> bytes:
    """Return the message that has a zone off, counted from 1."""
    return bytes((RESUME, ZONE_OFF, zone))
