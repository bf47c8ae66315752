"""The settings: everything the owner can change, with range, default and unit on each field.

Units: decibels (``_db``), hertz (``_hz``), seconds (``_s``), frames; MIDI channels count from 1.
An empty file is a complete configuration: every field has a default. The models are frozen and
strict (``true`` is not 1, ``"8"`` is not 8), and an unknown key is a fault.
"""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator, model_validator

from config.bindings import Binding, Light
from config.gestures import Gestures
from config.space import Room, Tremulant
from config.temperament import Temperament
from config.toml.section import Section
from config.zones import MOST as MOST_ZONES
from config.zones import Zone

Ignored = Literal[
    "program_change",
    "bank_select",
    "pitch_bend",
    "channel_pressure",
    "key_pressure",
    "control_change",
    "mode_message",
    "system_exclusive",
    "active_sensing",
]


class Controller(Section):
    """Which controllers are played, and how their keys are read."""

    name: str = ""
    """Part of the controller's name, upper or lower case; empty: every real controller."""
    serial: str = ""
    """Its serial number, where two have the same name; empty: any."""
    channels: list[Annotated[int, Field(ge=1, le=16)]] = Field(default=[])
    """MIDI channels listened to; empty: all sixteen."""
    fixed_velocity: int = Field(default=0, ge=0, le=127)
    """One velocity for every key, for keyboards that send none; 0: as played."""
    release_octaves: float = Field(default=1.0, ge=0.0, le=4.0)
    """By how many octaves of time the slowest key-up lengthens the release, and the fastest
    shortens it. Velocity 64 changes nothing, and neither does 0, which many keyboards always
    send."""
    counted_note_offs: bool = False
    """Whether a key struck twice sounds until it is released twice; if not, once is enough."""
    ignore: list[Ignored] = Field(default=[])
    """Kinds of messages that are not listened to."""
    mode: int = Field(default=3, ge=1, le=4)
    """The MIDI mode at power-on: 1 omni, 2 omni and mono, 3 poly, 4 mono."""
    basic_channel: int = Field(default=0, ge=0, le=16)
    """The one channel that the modes refer to; 0: each of the sixteen is its own receiver."""
    device_number: int = Field(default=0, ge=0, le=126)
    """The device number in system exclusive messages to this instrument alone."""

    @property
    def heard(self) -> frozenset[int]:
        """The channels listened to at power-on, 0 to 15 as on the wire."""
        alone = [self.basic_channel] if self.basic_channel and self.mode > 2 else []
        return frozenset(each - 1 for each in alone or self.channels or range(1, 17))

    @model_validator(mode="after")
    def _omni_has_a_basic_channel(self) -> "Controller":
        if self.mode <= 2 and self.basic_channel == 0:
            raise ValueError(f"mode = {self.mode}: must be 3 or 4 without a basic_channel")
        return self


class Audio(Section):
    """Which sound card plays, and in how large blocks."""

    device: str = ""
    """Part of the sound card's name, upper or lower case; empty: the best one."""
    sample_rate: int = 0
    """Frames per second; 0: the card's own rate."""
    block_frames: Literal[32, 64, 128, 256, 512, 1024] = 64
    """Frames per block: smaller answers sooner, larger is easier on the processor."""

    @field_validator("sample_rate")
    @classmethod
    def _rate_is_playable(cls, rate: int) -> int:
        if rate != 0 and not 22_050 <= rate <= 192_000:
            raise ValueError("must be 0, or 22050 to 192000")
        return rate

    @field_validator("block_frames", mode="before")
    @classmethod
    def _block_is_a_whole_number(cls, frames: object) -> object:
        if isinstance(frames, float):  # Literal alone takes 64.0 for 64
            raise ValueError("must be a whole number, not a decimal number")
        return frames


def _is_bank(number: str) -> str:
    if not (number.isascii() and number.isdigit() and int(number) <= 16383):
        raise ValueError("must be a number from 0 to 16383")
    return str(int(number))


Bank = Annotated[str, AfterValidator(_is_bank)]


class SoundChoice(Section):
    """Which sound plays."""

    name: str = Field(default="market-organ", min_length=1)
    """The sound at power-on, if none was chosen before: its file's name without ``.toml``."""
    programs: list[str] = Field(
        default=[
            "market-organ",
            "reed-organ",
            "stopped-flute",
            "low-reed",
            "bowed-string",
            "plucked-string",
            "struck-bar",
            "tower-bell",
            "sine",
            "flat64",
            "string-celeste",
            "pedal-organ",
            "beating-reeds",
            "struck-string",
            "plucked-gut",
            "steel-comb",
            "metal-bars",
            "small-bars",
            "hand-bell",
            "string-section",
            "wooden-flute",
            "single-reed",
            "brass-horn",
            "sung-vowels",
            "rubbed-glass",
            "wheel-drone",
        ],
        max_length=128,
    )
    """Program change *n* (from 1) chooses the *n*-th of these, in every bank not listed."""
    banks: dict[Bank, Annotated[list[str], Field(max_length=128)]] = Field(default={})
    """The programs of other banks, by number: 128 times CC 0 plus CC 32."""
    morph: str = ""
    """The sound to whose levels a knob for ``morph`` leads the one that plays; empty: to none."""


class Level(Section):
    """How loud."""

    volume_db: float = Field(default=0.0, ge=-80.0, le=12.0)
    """The volume of the whole instrument."""
    ceiling_db: float = Field(default=-1.0, ge=-40.0, le=0.0)
    """No sample leaves the instrument above this, relative to full scale."""


class Tuning(Section):
    """Where the keys sound."""

    a4_hz: float = Field(default=440.0, ge=380.0, le=500.0)
    """The frequency of A4, key 69 (ISO 16: 440 Hz)."""
    temperament: Temperament = "equal"
    """How the twelve keys of the octave are spaced; A keeps its frequency."""


class Vibrato(Section):
    """What the modulation controller does."""

    rate_hz: float = Field(default=5.5, ge=0.1, le=12.0)
    """How often the pitch swings."""
    depth_cents: float = Field(default=50.0, ge=0.0, le=600.0)
    """How far each way at full modulation (GM2's default is 50)."""


PressureTarget = Literal["level", "brightness", "vibrato", "none"]


class Pressure(Section):
    """What pressing a key that is down does (aftertouch)."""

    channel: PressureTarget = "vibrato"
    """What the pressure on the whole keyboard changes."""
    key: PressureTarget = "vibrato"
    """What the pressure on each key changes, for its own note."""
    louder_db: float = Field(default=6.0, ge=-24.0, le=12.0)
    """How much louder full pressure is."""
    brighter_db: float = Field(default=3.0, ge=-12.0, le=6.0)
    """How much brighter full pressure is, in dB per octave."""
    swing_cents: float = Field(default=30.0, ge=0.0, le=600.0)
    """How far full pressure swings each way."""


class CueSettings(Section):
    """What tones and a light say, without a screen."""

    ready: bool = True
    """It is ready to play."""
    controller: bool = True
    """A controller was found or lost."""
    settings: bool = True
    """A settings file has a fault; what was in force stays."""
    board: bool = True
    """The board is in trouble: heat, supply, battery."""
    gesture: bool = True
    """A key was taken as a command."""
    tone_db: float = Field(default=-40.0, ge=-60.0, le=-24.0)
    """The tones' peak below full scale."""
    lamp: str = ""
    """Part of an LED's name; empty: the board's activity LED; ``none``: no light."""


class Power(Section):
    """Switching off."""

    off_keys: list[Annotated[int, Field(ge=0, le=127)]] = Field(default=[], max_length=10)
    """Keys that switch the board off when held together for five seconds; empty: none do."""
    off_at_percent: int = Field(default=0, ge=0, le=50)
    """Switch the board off once its battery has been this low for a minute, uncharged; 0: never."""

    @field_validator("off_keys")
    @classmethod
    def _a_chord_is_no_single_key(cls, keys: list[int]) -> list[int]:
        if len(set(keys)) == 1:
            raise ValueError("must be at least two different keys, or empty")
        return keys


class ReportSettings(Section):
    """For owners without a network."""

    write: bool = False
    """Keep ``partiald-report.txt`` on the card's boot partition, written in pauses."""


Remember = Literal["choices", "shaping", "nothing"]


class Settings(Section):
    """Everything the owner can set. ``Settings()`` is the default."""

    polyphony: int = Field(default=16, ge=1, le=256)
    """Notes at once; one more takes the place of the oldest."""
    remember: Remember = "choices"
    """What lasts over a power-off beside the files: the sound chosen last and what was learned,
    the sounds that were shaped as well, or nothing."""
    controller: Controller = Controller()
    audio: Audio = Audio()
    sound: SoundChoice = SoundChoice()
    level: Level = Level()
    tuning: Tuning = Tuning()
    vibrato: Vibrato = Vibrato()
    pressure: Pressure = Pressure()
    room: Room = Room()
    tremulant: Tremulant = Tremulant()
    cues: CueSettings = CueSettings()
    power: Power = Power()
    report: ReportSettings = ReportSettings()
    gestures: Gestures = Gestures()
    zones: list[Zone] = Field(default=[], max_length=MOST_ZONES)
    lights: list[Light] = Field(default=[], max_length=64)
    bindings: list[Binding] = Field(
        default=[
            Binding(control=74, target="tilt"),
            Binding(control=72, target="release"),
        ]
    )

    @property
    def morph(self) -> str:
        """The sound to which a knob leads the one that plays; empty: no knob does."""
        bound = self.sound.morph and any(each.target == "morph" for each in self.bindings)
        return self.sound.morph if bound else ""
