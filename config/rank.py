"""A rank: partials that belong together, such as an organ's stop or a string's overtones.

A sound is made of ranks. A rank says where its partials lie, how loud they are (by a slope, a
list, a point of contact and a body), where they stand between left and right, how they rise, ring
and fall, and how all of that changes with the key. Where a value may be two numbers, they belong
to the first partial and the last; those between lie evenly, by octave.

Units: dB, dB per octave, hertz, seconds, cents; pan -1 (left) to 1 (right). A decay or release
time is a T60, at C4 (key 60); what changes by octave is counted from there.
"""

import re
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from config.toml.section import Section

MAX_PARTIALS = 128
_FOOTAGE = re.compile(r"([0-9]{1,2})'|(?:([0-9]{1,2}) +)?([0-9]{1,2})/([0-9]{1,2})'")

LevelDb = Annotated[float, Field(ge=-120.0, le=24.0)]
Ratio = Annotated[float, Field(ge=0.01, le=1000.0)]
Decay = Annotated[float, Field(ge=0.02, le=600.0)]
Rise = Annotated[float, Field(ge=0.001, le=20.0)]
Slope = Annotated[float, Field(ge=-48.0, le=24.0)]
Pan = Annotated[float, Field(ge=-1.0, le=1.0)]
KeySlope = Annotated[float, Field(ge=-12.0, le=12.0)]
_TWO = Field(min_length=2, max_length=2)
Slopes = Slope | Annotated[list[Slope], _TWO]
Decays = Decay | Annotated[list[Decay], _TWO]
Rises = Rise | Annotated[list[Rise], _TWO]
Pans = Pan | Annotated[list[Pan], _TWO]


def partial_of(stop: str) -> float:
    """Return the ratio of an organ stop such as ``2 2/3'``: 8 feet over its length."""
    match = _FOOTAGE.fullmatch(stop)
    feet, whole, top, bottom = map(int, match.groups("0")) if match else (0,) * 4
    length = feet + (whole + top / bottom if bottom else 0.0)
    if not 1 / 16 <= length <= 64:
        raise ValueError("must be a length up to 64', written like 8' or 2 2/3'")
    return 8.0 / length


def _is_length(stop: str) -> str:
    partial_of(stop)
    return stop


Stop = Annotated[str, AfterValidator(_is_length)]


class Formant(Section):
    """A resonance of the body; it stays where it is while the key moves."""

    hz: float = Field(ge=20.0, le=20_000.0)
    """Its middle."""
    level_db: float = Field(default=0.0, ge=-80.0, le=40.0)
    """Its height over the body's floor."""
    width_hz: float = Field(ge=5.0, le=10_000.0)
    """How wide it is, 3 dB below its height."""


class Pair(Section):
    """A second partial beside each: beats, warble, or a decay in two stages."""

    beats_hz: float = Field(default=0.0, ge=-20.0, le=20.0)
    """How far off it is at C4, in beats a second; it grows as the square root of
    the frequency."""
    cents: float = Field(default=0.0, ge=-100.0, le=100.0)
    """How far off it is, in cents, on every key."""
    level_db: float = Field(default=0.0, ge=-60.0, le=12.0)
    """Its level, beside that of the first."""
    longer: float = Field(default=1.0, ge=0.05, le=20.0)
    """How many times as long it rings."""


class KeyScaling(Section):
    """What changes from key to key, by octave from C4 on."""

    level_db: float = Field(default=0.0, ge=-24.0, le=24.0)
    """How much louder a key an octave higher is."""
    slope_db: KeySlope | Annotated[list[KeySlope], _TWO] = 0.0
    """How much flatter its slope is, in dB per octave of partials; of two numbers, the first
    counts below C4 and the second above."""
    decay: float = Field(default=1.0, ge=0.1, le=2.0)
    """What its decay times are multiplied by."""
    rise: float = Field(default=1.0, ge=0.1, le=2.0)
    """What its rise times are multiplied by."""
    stretch: float = Field(default=1.0, ge=0.1, le=10.0)
    """What its stretch is multiplied by."""


class Rank(Section):
    """One rank of a sound."""

    name: str = Field(default="", max_length=40)
    """What it is called, in lists and pictures."""
    footage: Stop = "8'"
    """Its pitch, as the length of an organ pipe: 4' is an octave above the key."""
    ratio: Ratio | None = None
    """Its pitch, over the key's; instead of a footage."""
    breaks: dict[str, Ratio] = Field(default={}, max_length=12)
    """Keys, by number, from which on its ratio is another one: ``{"72" = 2.0}``."""
    level_db: LevelDb = 0.0
    """Its level."""
    harmonics: int = Field(default=1, ge=1, le=MAX_PARTIALS)
    """How many partials it has: 1, 2, 3 ... times its pitch."""
    ratios: list[Ratio] = Field(default=[], max_length=MAX_PARTIALS)
    """Where its partials are, over its pitch; instead of harmonics."""
    levels_db: list[LevelDb] = Field(default=[], max_length=MAX_PARTIALS)
    """The level of each partial; added to the slope."""
    slope_db: Slopes = 0.0
    """How the level changes with each octave: at the lowest partials, then at the highest."""
    even_db: float = Field(default=0.0, ge=-80.0, le=24.0)
    """How much louder the even harmonics are."""
    contact: float = Field(default=0.0, ge=0.0, le=0.5)
    """Where a string is struck or plucked, as a part of its length; 0: no such effect."""
    formants: list[Formant] = Field(default=[], max_length=12)
    """The resonances of its body."""
    vowels: list[Annotated[list[Formant], Field(min_length=1, max_length=12)]] = Field(
        default=[], max_length=2
    )
    """One or two further bodies, towards which a knob for ``vowel`` turns that of the formants."""
    floor_db: float = Field(default=0.0, ge=-80.0, le=0.0)
    """What its body lets through between the resonances."""
    stretch: float = Field(default=0.0, ge=0.0, le=0.1)
    """Inharmonicity B of a stiff string: partial *n* at n·√((1+B·n²)/(1+B))."""
    cents: float = Field(default=0.0, ge=-100.0, le=100.0)
    """How far it is out of tune, in cents."""
    beats_hz: float = Field(default=0.0, ge=-20.0, le=20.0)
    """How far it is out of tune at C4, in beats a second; it grows as the square root
    of the frequency."""
    voices: int = Field(default=1, ge=1, le=16)
    """How many play it at once, none quite in tune with the others."""
    spread_cents: float = Field(default=0.0, ge=0.0, le=100.0)
    """How far apart they are: the standard deviation."""
    pair: Pair | None = None
    """A second partial beside each of its partials."""
    pan: Pans = 0.0
    """Where it stands."""
    width: float = Field(default=0.0, ge=0.0, le=1.0)
    """How far to either side its partials go in turn; the first two go to both."""
    rise_s: Rises | None = None
    """How long its partials take to rise; left out: the envelope's attack."""
    decay_s: Decays | None = None
    """How long its partials ring by themselves; left out: as long as the envelope holds."""
    release_s: Decays | None = None
    """How long its partials take to fade once the key is released; left out: the envelope's."""
    keys: KeyScaling = KeyScaling()

    @model_validator(mode="after")
    def _columns_agree(self) -> "Rank":
        if self.ratio is not None and "footage" in self.model_fields_set:
            raise ValueError("footage: must be left out where there is a ratio")
        if self.ratios and "harmonics" in self.model_fields_set:
            raise ValueError("harmonics: must be left out where there are ratios")
        if self.levels_db and len(self.levels_db) != self.count:
            raise ValueError(
                f"levels_db: has {len(self.levels_db)} levels for {self.count} partials"
            )
        if self.vowels and not self.formants:
            raise ValueError("vowels: must be left out where there are no formants")
        for key in self.breaks:
            if not (key.isascii() and key.isdigit() and int(key) <= 127):
                raise ValueError(f"breaks: '{key}' must be a key from 0 to 127")
        return self

    @property
    def pitch(self) -> float:
        """Its pitch over the key's, on the keys below the first break."""
        return partial_of(self.footage) if self.ratio is None else self.ratio

    def pitch_at(self, key: int) -> float:
        """Return its pitch over the key's, on a key."""
        passed = [int(each) for each in self.breaks if int(each) <= key]
        return self.breaks[str(max(passed))] if passed else self.pitch

    @property
    def count(self) -> int:
        """How many partials it has, without those of its voices and pairs."""
        return len(self.ratios) or self.harmonics

    @property
    def partials(self) -> int:
        """How many partials are rendered for it."""
        both_sides = min(2, self.count) if self.width else 0
        return (self.count + both_sides) * self.voices * (2 if self.pair else 1)


class Noise(Section):
    """A short noise, made of partials: breath, a mallet's knock, a key's click."""

    hz: Annotated[list[Annotated[float, Field(ge=20.0, le=20_000.0)]], _TWO] | None = None
    """Its lowest and highest frequency in hertz, the same on every key."""
    ratio: Annotated[list[Ratio], _TWO] | None = None
    """Its lowest and highest frequency over the key's pitch; instead of hertz."""
    partials: int = Field(default=24, ge=4, le=MAX_PARTIALS)
    """How many partials it is made of."""
    level_db: float = Field(default=-30.0, ge=-80.0, le=0.0)
    """Its level, beside that of all ranks together at C4."""
    slope_db: Slope = 0.0
    """How its level changes by octave."""
    rise_s: Rise = 0.002
    """How long it takes to rise."""
    decay_s: Decays = 0.08
    """How long it rings (T60): its lowest partial, then its highest."""
    touch_db: float = Field(default=0.0, ge=0.0, le=40.0)
    """How much quieter velocity 1 is than 127, in addition to what velocity does to the ranks."""

    @model_validator(mode="after")
    def _lies_in_one_unit(self) -> "Noise":
        if (self.hz is None) == (self.ratio is None):
            raise ValueError("either hz or ratio must be given, and not both")
        low, high = self.hz or self.ratio or [0.0, 0.0]
        if not low < high:
            raise ValueError(f"must reach from a lower to a higher end, not from {low} to {high}")
        return self


class Effort(Section):
    """What more effort changes besides level: touch, the swell (CC 11), a knob for ``effort``."""

    swell_db: float = Field(default=0.0, ge=0.0, le=12.0)
    """How much duller the sound is 10 dB down the swell, in dB per octave above the key."""
    attack_octaves: float = Field(default=0.0, ge=0.0, le=3.0)
    """By how many doublings the attack is longer at velocity 1 than at 127."""
