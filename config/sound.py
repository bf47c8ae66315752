"""A sound: a timbre as partials, an envelope and an answer to velocity.

A sound is a TOML file; its name is the file's name without ``.toml``. The partials are given
either as ratios and levels (``[partials]``) or by organ footage (``[footage]``, a length ratio:
8' is partial 1, ``2 2/3'`` partial 3), levels always in dB.

Units: dB, seconds, cycles (phase 0 is a rising sine). A decay or release time is a T60: the
time in which the level falls by 60 dB.
"""

from functools import cached_property
from typing import Annotated, Literal

from pydantic import Field, model_validator

from config.rank import MAX_PARTIALS, Decay, Effort, LevelDb, Noise, Rank, Ratio, Stop, partial_of
from config.toml.section import Section

Phase = Annotated[float, Field(ge=-1.0, le=1.0)]
_COLUMN = Field(min_length=1, max_length=MAX_PARTIALS)

# fmt: off
Family = Literal[
    "flue", "reed", "struck", "plucked", "bar", "bell", "bowed", "blown", "sung", "glass", "drone",
    "measuring",
]
# fmt: on


class Partials(Section):
    """The partials, as columns; a single number stands for all of them."""

    count: int = Field(default=0, ge=0, le=MAX_PARTIALS)
    """How many; 0: as many as the lists have."""
    ratio: list[Ratio] = Field(default=[], max_length=MAX_PARTIALS)
    """Frequency over the key's frequency; empty: 1, 2, 3 ..."""
    level_db: Annotated[list[LevelDb], _COLUMN] | LevelDb = 0.0
    """Level of each partial, relative to the others."""
    phase: Annotated[list[Phase], _COLUMN] | Literal["sine", "low-crest"] = "sine"
    """Phase at the onset in cycles; ``low-crest`` spreads them so that the peak stays low."""
    decay_s: Annotated[list[Decay], _COLUMN] | Decay | None = None
    """T60 of each partial's own decay at C4; left out: none decays while it is held."""
    decay_per_octave: float = Field(default=1.0, ge=0.1, le=2.0)
    """The decay times are multiplied by this for every octave above C4."""
    stretch: float = Field(default=0.0, ge=0.0, le=0.1)
    """Inharmonicity B of a stiff string: partial *n* at n·√((1+B·n²)/(1+B))."""

    @model_validator(mode="after")
    def _columns_agree(self) -> "Partials":
        lengths = {
            key: len(value)
            for key in ("ratio", "level_db", "phase", "decay_s")
            if isinstance(value := getattr(self, key), list) and value
        }
        if self.count:
            lengths["count"] = self.count
        if not lengths:
            raise ValueError("count: must be given, or a list of ratio or level_db")
        if len(set(lengths.values())) > 1:
            told = ", ".join(f"{key} {length}" for key, length in lengths.items())
            raise ValueError(f"{next(iter(lengths))}: lists of different lengths: {told}")
        return self


class Envelope(Section):
    """How a note grows, holds and fades."""

    attack_s: float = Field(default=0.005, ge=0.001, le=20.0)
    """From silence to the full level, along a raised cosine."""
    decay_s: float = Field(default=1.0, ge=0.02, le=600.0)
    """T60 of the approach to the sustain level."""
    sustain: float = Field(default=1.0, ge=0.0, le=1.0)
    """Level of a held note after the decay, relative to its peak."""
    release_s: float = Field(default=0.1, ge=0.02, le=600.0)
    """T60 after the key is released."""


class Velocity(Section):
    """What the strength of a key stroke changes."""

    range_db: float = Field(default=24.0, ge=0.0, le=60.0)
    """How much quieter velocity 1 is than velocity 127."""
    tilt_db: float = Field(default=0.0, ge=0.0, le=12.0)
    """How much duller velocity 1 is than velocity 127, in dB per octave."""
    tilt_per_octave_db: float = Field(default=0.0, ge=-12.0, le=12.0)
    """How much more of that a key an octave higher has, from C4 on; for ranks only."""


class Sound(Section):
    """One timbre. Read `ratios`, `levels`, `phases` and `decays_s`, not the tables behind them."""

    title: str = Field(min_length=1, max_length=40)
    """What it is called, in lists and pictures."""
    about: str = Field(min_length=1, max_length=200)
    """One line on the acoustics it comes from."""
    level_db: float = Field(default=0.0, ge=-80.0, le=24.0)
    """Its level. Sounds of ranks are equally loud at 0 dB; to others it is the trim for that."""
    family: Family | None = None
    """What makes it sound."""
    ranks: list[Rank] = Field(default=[], max_length=32)
    """The ranks it is made of."""
    partials: Partials | None = None
    footage: dict[Stop, LevelDb] | None = Field(default=None, min_length=1, max_length=MAX_PARTIALS)
    """Organ stops by length in feet, each with its level in dB."""
    envelope: Envelope = Envelope()
    velocity: Velocity = Velocity()
    effort: Effort = Effort()
    onset_noise: Noise | None = None
    """What is heard as a note begins."""
    release_noise: Noise | None = None
    """What is heard as its key is released."""
    balance_db: list[LevelDb] = Field(default=[], max_length=8)
    """Level at C1, C2 ... C8, straight between; empty: every key is equally loud."""
    spread: float = Field(default=0.0, ge=-1.0, le=1.0)
    """How far apart the keys stand: the pan of a key two octaves above C4."""
    seed: int = Field(default=0, ge=0, le=9999)
    """What its phases and noises start from: another number is another instrument of its kind."""

    @model_validator(mode="after")
    def _given_one_way(self) -> "Sound":
        given = [bool(self.ranks), self.partials is not None, self.footage is not None]
        if sum(given) != 1:
            raise ValueError("exactly one of [[ranks]], [partials] and [footage] must be given")
        if self.velocity.tilt_per_octave_db and not self.ranks:
            raise ValueError(
                "velocity.tilt_per_octave_db: must be left out where there are no ranks"
            )
        if len(self.balance_db) not in (0, 8):
            raise ValueError(
                f"balance_db: has {len(self.balance_db)} levels, must have 8: C1 to C8"
            )
        if self.count > MAX_PARTIALS:
            raise ValueError(f"ranks: make {self.count} partials; there may be {MAX_PARTIALS}")
        return self

    @property
    def count(self) -> int:
        """How many partials are rendered for a note, its noises included."""
        if not self.ranks:
            return len(self.ratios)
        noises = (self.onset_noise, self.release_noise)
        of_noise = max((noise.partials for noise in noises if noise), default=0)
        return sum(rank.partials for rank in self.ranks) + of_noise

    @cached_property
    def harmonics(self) -> tuple[float, ...]:
        """Frequency of each partial over the key's frequency, stretch not included."""
        if self.partials is None:
            return tuple(partial_of(stop) for stop in self.footage or {})
        return tuple(self.partials.ratio or [float(n) for n in range(1, self._count + 1)])

    @cached_property
    def ratios(self) -> tuple[float, ...]:
        """Frequency of each partial over the key's frequency, stretch included."""
        stretch = 0.0 if self.partials is None else self.partials.stretch
        return tuple(n * ((1 + stretch * n * n) / (1 + stretch)) ** 0.5 for n in self.harmonics)

    @cached_property
    def levels(self) -> tuple[float, ...]:
        """Linear level of each partial, the trim not included."""
        if self.partials is None:
            decibels = list((self.footage or {}).values())
        else:
            level_db = self.partials.level_db
            decibels = level_db if isinstance(level_db, list) else [level_db] * self._count
        return tuple(10 ** (value / 20) for value in decibels)

    @cached_property
    def phases(self) -> tuple[float, ...]:
        """Phase of each partial at its onset, in cycles."""
        phase = "low-crest" if self.partials is None else self.partials.phase
        if isinstance(phase, list):
            return tuple(phase)
        return _low_crest(self.levels) if phase == "low-crest" else (0.0,) * len(self.levels)

    @cached_property
    def decays_s(self) -> tuple[float, ...] | None:
        """T60 of each partial at C4; None: none decays while it is held."""
        if self.partials is None or self.partials.decay_s is None:
            return None
        decay = self.partials.decay_s
        return tuple(decay if isinstance(decay, list) else [decay] * self._count)

    @property
    def decay_per_octave(self) -> float:
        """The factor on every decay time for each octave above C4."""
        return 1.0 if self.partials is None else self.partials.decay_per_octave

    @property
    def _count(self) -> int:
        assert self.partials is not None
        columns = (self.partials.ratio, self.partials.level_db, self.partials.phase)
        lists = [column for column in columns if isinstance(column, list) and column]
        decay = self.partials.decay_s
        return self.partials.count or len(lists[0] if lists else decay)  # type: ignore[arg-type]


def _low_crest(levels: tuple[float, ...]) -> tuple[float, ...]:
    """Return phases in cycles that keep the peak of harmonic partials low.

    Source: M. R. Schroeder, IEEE Trans. IT-16 (1970), 85-89, the rule for any power spectrum.
    """
    total = sum(level * level for level in levels)
    phases, phase, below = [], 0.0, 0.0
    for level in levels:
        phases.append((0.25 - phase) % 1.0)
        below += level * level / total
        phase += below
    return tuple(phases)
