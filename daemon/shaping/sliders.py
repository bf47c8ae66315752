"""The sliders of a sound: what can be moved, by how much, and where it stands in the sound's table.

What a knob sets as the page does has name, unit and range in `config.targets`: levels and the room.
What a knob multiplies or adds to (times, the sustain) has its name there, and unit and range where
a sound's file has them, as has what no knob moves: the ring, the level and the touch.

Units: as in `config.sound`; a slider of times moves by ratios, so that all of a sound's own times
keep theirs to each other.
"""

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from typing import Any, Literal

from config.rank import Effort, Rank, partial_of
from config.sound import Envelope, Sound, Velocity
from config.targets import TARGETS
from config.toml.section import Section, limits

Table = dict[str, Any]
Path = tuple[str | int, ...]
Group = Literal["levels", "envelope", "effort", "room"]
_TIMES, _HALF_DB, _DB, _SHARE = 1.122, 0.5, 1.0, 0.05
"""Steps: of times a ratio, a decibel of length."""


@dataclass(frozen=True)
class Slider:
    """One of them."""

    name: str
    """As it is called on the page, and in a line."""
    group: Group
    unit: str
    low: float
    high: float
    step: float
    """What one key press moves it by; of times, the ratio."""
    path: Path
    """Where its value is."""
    usual: float
    """Its value where the table does not say."""
    along: tuple[Path, ...] = ()
    """What is multiplied with it."""
    ratio: float = 0.0
    """Of a bar: its pitch over the key's."""
    target: str = ""
    """By what name a knob can be bound to it; empty: none can."""

    @property
    def times(self) -> bool:
        """Whether it moves by ratios."""
        return self.unit == "s"

    def words(self, value: float) -> str:
        """Return a value as the page shows it."""
        if self.unit == "s":
            return f"{1000 * value:.0f} ms" if value < 0.1 else f"{value:.2f} s"
        return (
            f"{value:+.1f} dB"
            if self.unit == "dB"
            else f"{value:.2f}{self.unit and ' '}{self.unit}"
        )

    def moved(self, value: float, steps: float) -> float:
        """Return the value some steps on, within the ends."""
        value = value * self.step**steps if self.times else value + self.step * steps
        return min(self.high, max(self.low, value))


def _as_bound(
    target: str, group: Group, path: Path, usual: float, name: str = "", ratio: float = 0.0
) -> Slider:
    """Return the slider of what a knob sets in the same unit."""
    row = TARGETS[target]
    ends = row.least, row.most
    name = name or target
    return Slider(name, group, row.unit, *ends, _DB, path, usual, ratio=ratio, target=target)


ROOM = _as_bound("room", "room", ("room",), TARGETS["room"].least)


def opened(sound: Sound) -> Table:
    """Return the table of a sound with a level of its own for every bar."""
    table = deepcopy(sound.model_dump(exclude_unset=True))
    if sound.partials is not None:
        columns = table["partials"]
        columns.setdefault("ratio", [round(each, 6) for each in sound.harmonics])
        if not isinstance(columns.get("level_db"), list):
            columns["level_db"] = [float(columns.get("level_db", 0.0))] * len(sound.levels)
        columns.pop("count", None)
    elif len(sound.ranks) == 1:
        rank = table["ranks"][0]
        rank.setdefault("levels_db", [0.0] * sound.ranks[0].count)
    return table


def sliders_of(table: Table) -> list[Slider]:
    """Return the sliders of an opened table, bars by frequency first."""
    bars = sorted(_bars(table), key=lambda slider: slider.ratio)
    return [*bars, *_envelope(table), *_effort(), ROOM]


def value_at(table: Table, slider: Slider) -> float:
    """Return where a slider is."""
    found = _get(table, slider.path)
    found = found[0] if isinstance(found, list) else found
    return slider.usual if found is None else float(found)


def with_value(table: Table, slider: Slider, value: float) -> Table:
    """Return a table in which a slider is elsewhere."""
    value = min(slider.high, max(slider.low, value))
    new = deepcopy(table)
    before = value_at(table, slider)
    digits = 5 if slider.times else 2
    factor = value / before if slider.times else 1.0
    here = _get(new, slider.path)
    if isinstance(here, list):
        _put(new, slider.path, _multiplied(here, factor, slider))
    else:
        _put(new, slider.path, round(value, digits))
    for path in slider.along:
        _put(new, path, _multiplied(_get(new, path), factor, slider))
    return new


def _bars(table: Table) -> Iterator[Slider]:
    def bar(name: str, path: Path, ratio: float, target: str = "partial") -> Slider:
        return _as_bound(target, "levels", path, 0.0, name, ratio)

    ranks = table.get("ranks", [])
    if "partials" in table:
        for number, ratio in enumerate(table["partials"]["ratio"]):
            yield bar(f"partial {number + 1}", ("partials", "level_db", number), ratio)
    elif "footage" in table:
        for stop in table["footage"]:
            yield bar(stop, ("footage", stop), partial_of(stop))
    elif len(ranks) == 1:
        pitch = _pitch(ranks[0])
        for number in range(len(ranks[0]["levels_db"])):
            ratios = ranks[0].get("ratios") or range(1, len(ranks[0]["levels_db"]) + 1)
            ratio = pitch * ratios[number]
            yield bar(f"partial {number + 1}", ("ranks", 0, "levels_db", number), ratio)
    else:
        for number, rank in enumerate(ranks):
            name = rank.get("name") or f"rank {number + 1}"
            yield bar(name, ("ranks", number, "level_db"), _pitch(rank), "rank")


def _pitch(rank: Table) -> float:
    ratio = rank.get("ratio")
    return partial_of(rank.get("footage", "8'")) if ratio is None else float(ratio)


def _envelope(table: Table) -> Iterator[Slider]:
    ranks = range(len(table.get("ranks", [])))

    def own(key: str) -> tuple[Path, ...]:
        return tuple(("ranks", n, key) for n in ranks if table["ranks"][n].get(key) is not None)

    decays: tuple[Path, ...] = own("decay_s")
    if table.get("partials", {}).get("decay_s") is not None:
        decays = (("partials", "decay_s"),)
    yield _in_file("attack", "envelope", Envelope, "attack_s", along=own("rise_s"))
    if decays:
        least, most = limits(Rank, "decay_s")
        usual = Envelope.model_fields["decay_s"].default
        yield Slider(
            "ring", "envelope", "s", least, most, _TIMES, decays[0], usual, along=decays[1:]
        )
    yield _in_file("decay", "envelope", Envelope, "decay_s")
    yield _in_file("sustain", "envelope", Envelope, "sustain", step=_SHARE)
    yield _in_file("release", "envelope", Envelope, "release_s", along=own("release_s"))


def _effort() -> Iterator[Slider]:
    yield _in_file("level", "effort", Sound, "level_db", step=_HALF_DB)
    yield _in_file("touch", "effort", Velocity, "range_db", step=_DB)
    yield _in_file("touch tone", "effort", Velocity, "tilt_db", step=_HALF_DB)
    yield _in_file("swell tone", "effort", Effort, "swell_db", step=_HALF_DB)


_TABLES: dict[type[Section], Path] = {
    Sound: (),
    Envelope: ("envelope",),
    Velocity: ("velocity",),
    Effort: ("effort",),
}
"""Where in a sound's table each of its sections is."""


def _in_file(
    name: str,
    group: Group,
    section: type[Section],
    key: str,
    *,
    step: float = _TIMES,
    along: tuple[Path, ...] = (),
) -> Slider:
    """Return the slider of what stands in a sound's file under a key, as the rules there say."""
    unit = {"s": "s", "db": "dB"}.get(key.rpartition("_")[2], "")
    least, most = limits(section, key)
    path, usual = (*_TABLES[section], key), section.model_fields[key].default
    target = name if name in TARGETS else ""
    return Slider(name, group, unit, least, most, step, path, usual, along, target=target)


def _get(table: Table, path: Path) -> Any:
    value: Any = table
    for key in path:
        if isinstance(value, dict):
            value = value.get(str(key))
        elif isinstance(value, list) and isinstance(key, int):
            value = value[key]
        else:
            return None
    return value


def _put(table: Table, path: Path, value: Any) -> None:
    here: Any = table
    for key in path[:-1]:
        here = here[key] if isinstance(key, int) else here.setdefault(key, {})
    last: Any = path[-1]
    here[last] = value


def _multiplied(value: Any, factor: float, slider: Slider) -> Any:
    if isinstance(value, list):
        return [_multiplied(each, factor, slider) for each in value]
    return round(min(slider.high, max(slider.low, value * factor)), 5)
