"""The sliders of a sound: what can be moved, by how much, and where it stands in the sound's table.

Units: as in `config.sound`; a slider of times moves by ratios, so that all of a sound's own times
keep theirs to each other.
"""

from collections.abc import Iterator
from copy import deepcopy
from dataclasses import dataclass
from typing import Any, Literal

from config.rank import partial_of
from config.sound import Sound
from config.targets import TARGETS

Table = dict[str, Any]
Path = tuple[str | int, ...]
Group = Literal["levels", "envelope", "effort", "room"]
LOWEST_DB, HIGHEST_DB = TARGETS["partial"].low, 12.0


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


_ROOM = TARGETS["room"]
ROOM = Slider("room", "room", _ROOM.unit, _ROOM.least, _ROOM.most, 1.0, ("room",), _ROOM.least)


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
    def bar(name: str, path: Path, ratio: float, usual: float = 0.0) -> Slider:
        return Slider(name, "levels", "dB", LOWEST_DB, HIGHEST_DB, 1.0, path, usual, ratio=ratio)

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
            yield bar(name, ("ranks", number, "level_db"), _pitch(rank))


def _pitch(rank: Table) -> float:
    ratio = rank.get("ratio")
    return partial_of(rank.get("footage", "8'")) if ratio is None else float(ratio)


def _envelope(table: Table) -> Iterator[Slider]:
    ranks = range(len(table.get("ranks", [])))

    def own(key: str) -> tuple[Path, ...]:
        return tuple(("ranks", n, key) for n in ranks if table["ranks"][n].get(key) is not None)

    yield Slider(
        *("attack", "envelope", "s", 0.001, 20.0, 1.122, ("envelope", "attack_s"), 0.005),
        along=own("rise_s"),
    )
    decays: tuple[Path, ...] = own("decay_s")
    if table.get("partials", {}).get("decay_s") is not None:
        decays = (("partials", "decay_s"),)
    if decays:
        ring = Slider("ring", "envelope", "s", 0.02, 600.0, 1.122, decays[0], 1.0, decays[1:])
        yield ring
    yield Slider("decay", "envelope", "s", 0.02, 600.0, 1.122, ("envelope", "decay_s"), 1.0)
    yield Slider("sustain", "envelope", "", 0.0, 1.0, 0.05, ("envelope", "sustain"), 1.0)
    yield Slider(
        *("release", "envelope", "s", 0.02, 600.0, 1.122, ("envelope", "release_s"), 0.1),
        along=own("release_s"),
    )


def _effort() -> Iterator[Slider]:
    yield Slider("level", "effort", "dB", -80.0, 24.0, 0.5, ("level_db",), 0.0)
    yield Slider("touch", "effort", "dB", 0.0, 60.0, 1.0, ("velocity", "range_db"), 24.0)
    yield Slider("touch tone", "effort", "dB", 0.0, 12.0, 0.5, ("velocity", "tilt_db"), 0.0)
    yield Slider("swell tone", "effort", "dB", 0.0, 12.0, 0.5, ("effort", "swell_db"), 0.0)


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
