"""The targets: everything that a knob, a pedal, a wheel or pressure may be bound to.

One table. The settings are checked by it, `partiald learn` offers it, the implementation chart
prints it, and whatever else turns a value asks it for name, unit and range.

A knob's way from 0 to 127 runs straight from ``low`` to ``high`` in the unit of its target; with a
``middle`` it runs straight on both sides of that, which is then exactly where the knob is at 64.

Units: as each row says; octaves are octaves of time (3: eight-fold).
"""

from functools import lru_cache
from typing import Annotated, NamedTuple

from pydantic import BeforeValidator, WithJsonSchema


class Target(NamedTuple):
    """One row."""

    words: str
    """What it is, in a few words."""
    unit: str
    least: float
    """Nothing sets it lower than this ..."""
    most: float
    """... or higher than this."""
    low: float
    """What a knob at 0 means, where its binding does not say."""
    high: float
    """What a knob at 127 means, where its binding does not say."""
    rest: float | None = 0.0
    """What it is before anything has moved it; None: what the settings say."""
    middle: float | None = None
    """What a knob at 64 means, if its ends are the usual ones; None: halfway between them."""
    which: str = ""
    """The key that says which one, where there are several ..."""
    many: int = 0
    """... and how many there may be."""
    shared: bool = False
    """Whether all channels have it together."""


TARGETS: dict[str, Target] = {
    "volume": Target("the volume", "dB", -80, 24, -40, 6),
    "tilt": Target("bright or dull", "dB per octave above the key", -24, 6, -9, 3, middle=0),
    "overtones": Target("all partials above the key", "dB", -80, 24, -18, 12, middle=0),
    "even": Target("the even harmonics", "dB", -80, 24, -60, 6, middle=0),
    "odd": Target("the odd ones above the key", "dB", -80, 24, -60, 6, middle=0),
    "partial": Target("one partial", "dB", -80, 24, -60, 6, which="partial", many=128),
    "rank": Target("one rank of the sound", "dB", -80, 24, -60, 6, which="rank", many=32),
    "zone": Target("one zone", "dB", -80, 12, -60, 6, which="zone", many=16, shared=True),
    "blend": Target("from zone 1 to zone 2", "", 0, 1, 0, 1, rest=0.5, shared=True),
    "pan": Target("left or right", "", -1, 1, -1, 1),
    "tuning": Target("the pitch", "cents", -100, 100, -50, 50),
    "stretch": Target("how stiff its strings are", "", 0, 0.001, 0, 0.0005),
    "detuning": Target("how far apart ranks are", "times as written", 0, 4, 0, 3, rest=1, middle=1),
    "attack": Target("how slowly notes begin", "octaves of time", -10, 10, -4, 4),
    "decay": Target("how slowly they fall", "octaves of time", -10, 10, -4, 4),
    "sustain": Target("how loud they are held", "dB", -60, 0, -60, 0),
    "release": Target("how long they ring", "octaves of time", -10, 10, -4, 4),
    "vowel": Target("from the first to the last", "", 0, 1, 0, 1),
    "morph": Target("from one sound to another", "", 0, 1, 0, 1),
    "effort": Target("a swell: loudness and tone", "dB", -48, 0, -40, 0),
    "vibrato_rate": Target("how often it swings", "hertz", 0.1, 12, 2, 9, rest=None),
    "vibrato_depth": Target("how far, each way", "cents", 0, 600, 0, 100),
    "tremulant": Target("how deep it is", "", 0, 1, 0, 1, rest=None, shared=True),
    "room": Target("how loud it is", "dB", -80, 6, -40, 0, rest=None, shared=True),
}
"""By name. Attack, decay and sustain count from the next note on."""
WHICH: tuple[str, ...] = tuple(row.which for row in TARGETS.values() if row.which)
"""The keys that say which one."""


@lru_cache(256)
def travel(target: str, low: float | None, high: float | None) -> tuple[float, float, float]:
    """Return what a knob at 0, at 127 and at 64 means; None: its binding does not say."""
    row = TARGETS[target]
    ends = row.low if low is None else low, row.high if high is None else high
    middle = row.middle if low is None and high is None else None
    return *ends, sum(ends) / 2 if middle is None else middle


def is_target(name: object) -> str:
    """Return the name of a target; raise a ValueError for anything else."""
    if isinstance(name, str) and name in TARGETS:
        return name
    raise ValueError(f"must be one of {', '.join(map(repr, TARGETS))}")


TargetName = Annotated[str, BeforeValidator(is_target), WithJsonSchema({"enum": list(TARGETS)})]


def check_which(target: str, numbers: dict[str, int]) -> None:
    """Raise a ValueError unless a number is given exactly where a target needs one."""
    row = TARGETS[target]
    for key, number in numbers.items():
        given = f'{key} = {number}: must be %s with target = "{target}"'
        if key == row.which and not 1 <= number <= row.many:
            raise ValueError(given % f"1 to {row.many}")
        if key != row.which and number:
            raise ValueError(given % "left out")
