"""The space around the instrument: the room it stands in, and what shakes its sound.

Units: dB, hertz, seconds, cents.
"""

from typing import Literal

from pydantic import Field, field_validator

from config.toml.section import Section

OFF_DB = -80.0
"""At this level the room is off."""
RoomName = Literal["parlour", "market hall", "church"]


class Room(Section):
    """The room around the instrument; sounds of one column of partials stay without."""

    place: RoomName = "market hall"
    """Which room."""
    level_db: float = Field(default=-14.0, ge=-80.0, le=6.0)
    """How loud it is beside the instrument: 0 is equally loud, -80 is off."""
    t60_s: float = Field(default=0.0, ge=0.0, le=10.0)
    """How long it takes to fall by 60 dB, 0.2 or more; 0: the room's own time."""

    @field_validator("t60_s")
    @classmethod
    def _time_is_a_room_s(cls, seconds: float) -> float:
        if 0.0 < seconds < 0.2:
            raise ValueError("must be 0, or 0.2 to 10")
        return seconds


class Tremulant(Section):
    """What shakes the whole instrument: the wind of an organ, or a loudspeaker that turns."""

    kind: Literal["wind", "rotor"] = "wind"
    """``wind`` swings level, pitch and brightness together; ``rotor`` turns, slowly or fast."""
    depth: float = Field(default=0.0, ge=0.0, le=1.0)
    """How deep at power-on; CC 92 changes it. 0: off."""
    rate_hz: float = Field(default=6.0, ge=0.5, le=8.0)
    """How often it swings; of the rotor, when it turns fast."""
    level_db: float = Field(default=3.0, ge=0.0, le=8.0)
    """How far the level swings at full depth, from low to high."""
    pitch_cents: float = Field(default=16.0, ge=0.0, le=60.0)
    """How far the pitch swings at full depth, from low to high; a rotor goes by its speed."""
