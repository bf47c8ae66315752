"""Zones: parts of the keyboard, each with a sound, an octave and a place of its own.

Zones may overlap: a key in two of them sounds twice, as two layers. Without any zone the whole
keyboard plays the one sound.

Units: keys 0 to 127, dB, octaves; pan -1 (left) to 1 (right); channels count from 1.
"""

from typing import Annotated

from pydantic import Field, model_validator

from config.toml.section import Section

MOST = 16
"""Zones of one keyboard."""
Key = Annotated[int, Field(ge=0, le=127)]


class Zone(Section):
    """One zone."""

    keys: list[Key] = Field(default=[0, 127])
    """Its lowest key and its highest."""
    sound: str = ""
    """What it plays; empty: what the program change or ``[sound]`` says."""
    octave: int = Field(default=0, ge=-5, le=5)
    """How many octaves higher it sounds."""
    level_db: float = Field(default=0.0, ge=-80.0, le=12.0)
    """How loud it is beside the others."""
    pan: float = Field(default=0.0, ge=-1.0, le=1.0)
    """Where it stands."""
    hold: bool = False
    """A drone: its keys sound on when they come up, and stop when they are struck again."""
    channel: int = Field(default=0, ge=0, le=16)
    """The MIDI channel that plays it; 0: every one."""

    @model_validator(mode="after")
    def _reaches_upwards(self) -> "Zone":
        if len(self.keys) != 2 or self.keys[0] > self.keys[1]:
            raise ValueError(f"keys = {self.keys}: must be the lowest key and the highest")
        return self

    def covers(self, key: int, channel: int) -> bool:
        """Return whether a key of a channel, 0 to 15 as on the wire, plays it."""
        return self.keys[0] <= key <= self.keys[1] and self.channel in (0, channel + 1)
