"""A sound as knobs have shaped it: what they are at, written into the sound itself.

Units: those of `config.targets`. What is no property of a sound (volume, vibrato, room, tremulant,
effort, zones) stays with the knobs: it is how somebody plays, and where.
"""

from collections.abc import Callable, Mapping
from math import log2
from typing import Any

from config.rank import MAX_PARTIALS, Pair, Rank
from config.sound import Envelope, Partials, Sound
from config.targets import TARGETS
from config.toml.section import Section, limits

Moves = Mapping[tuple[str, int], float]
"""Values by target and, where there are several, which one; else 0."""
Table = dict[str, Any]

KEEPABLE: tuple[str, ...] = (
    *("tilt", "overtones", "even", "odd", "partial", "rank", "pan", "tuning"),
    *("stretch", "detuning", "attack", "decay", "sustain", "release"),
)
"""The targets that a sound can hold."""
_LEAST_DB, _MOST_DB = limits(Rank, "level_db")


def shaped(sound: Sound, moves: Moves) -> Table:
    """Return the table of a sound as moved knobs make it sound; unmoved, it is as in its file."""
    table = sound.model_dump(exclude_unset=True)
    kept = {
        key: value
        for key, value in moves.items()
        if key[0] in KEEPABLE and value != TARGETS[key[0]].rest
    }
    if not kept:
        return table
    if not sound.ranks:
        table.pop("footage", None)
        table["partials"] = _columns(sound, kept)
    else:
        for number, (rank, plain) in enumerate(zip(sound.ranks, table["ranks"], strict=True), 1):
            levels = _levels(kept, rank.ratios or [float(n) for n in range(1, rank.count + 1)])
            pitched = [
                each + _by_pitch(kept, rank.pitch * n)
                for each, n in zip(levels, rank.ratios or range(1, rank.count + 1), strict=True)
            ]
            if any(pitched):
                before = rank.levels_db or [0.0] * rank.count
                plain["levels_db"] = [
                    _decibels(old + new) for old, new in zip(before, pitched, strict=True)
                ]
            _rank(plain, rank.level_db, kept, number)
    _whole(sound, table, kept)
    return table


def _columns(sound: Sound, moves: Moves) -> Table:
    """Return one column of partials, with the levels that knobs give them."""
    columns = dict(sound.partials.model_dump(exclude_unset=True)) if sound.partials else {}
    columns.pop("count", None)
    numbers = [float(n) for n in range(1, len(sound.levels) + 1)]
    added = [
        each + _by_pitch(moves, ratio)
        for each, ratio in zip(_levels(moves, numbers), sound.harmonics, strict=True)
    ]
    if more := moves.get(("stretch", 0), 0.0):
        columns["stretch"] = _within(columns.get("stretch", 0.0) + more, Partials, "stretch")
    columns.setdefault("ratio", list(sound.harmonics))
    columns["level_db"] = [
        _decibels((20 * log2(level) / log2(10) if level > 0 else _LEAST_DB) + more)
        for level, more in zip(sound.levels, added, strict=True)
    ]
    if sound.partials is None:
        columns["phase"] = "low-crest"
    return columns


def _levels(moves: Moves, numbers: list[float]) -> list[float]:
    """Return what the knobs of single partials add, by their places in the series."""
    return [
        moves.get(("partial", round(n)), 0.0)
        if abs(n - round(n)) < 1e-6 and 1 <= n <= MAX_PARTIALS
        else 0.0
        for n in numbers
    ]


def _by_pitch(moves: Moves, ratio: float) -> float:
    """Return what tilt and the knobs of overtones add to a partial, by its ratio to the key."""
    if ratio <= 1.0:
        return 0.0
    whole = abs(ratio - round(ratio)) < 0.01
    parity = ("even" if round(ratio) % 2 == 0 else "odd") if whole else "odd"
    return (
        moves.get(("tilt", 0), 0.0) * log2(ratio)
        + moves.get(("overtones", 0), 0.0)
        + moves.get((parity, 0), 0.0)
    )


def _rank(plain: Table, level_db: float, moves: Moves, number: int) -> None:
    more = moves.get(("rank", number), 0.0)
    if more:
        plain["level_db"] = _decibels(level_db + more)
    if pan := moves.get(("pan", 0), 0.0):
        plain["pan"] = _each(plain.get("pan", 0.0), lambda value: _within(value + pan, Rank, "pan"))
    if stretch := moves.get(("stretch", 0), 0.0):
        plain["stretch"] = _within(plain.get("stretch", 0.0) + stretch, Rank, "stretch")
    if (times := moves.get(("detuning", 0), 1.0)) != 1.0:
        _detune(plain, times)
    if cents := moves.get(("tuning", 0), 0.0):
        plain["cents"] = _within(plain.get("cents", 0.0) + cents, Rank, "cents")
    for key, target in (("rise_s", "attack"), ("release_s", "release")):
        factor = 2.0 ** moves.get((target, 0), 0.0)
        if plain.get(key) is not None and factor != 1.0:
            plain[key] = _each(plain[key], _scaled(factor, key))


def _detune(plain: Table, times: float) -> None:
    """Bring a rank, its pair and its voices so many times as far out of tune."""
    for section, table in ((Rank, plain), (Pair, plain.get("pair") or {})):
        for key in ("cents", "beats_hz", "spread_cents"):
            if table.get(key):
                table[key] = _within(table[key] * times, section, key)


def _whole(sound: Sound, table: Table, moves: Moves) -> None:
    """Write what belongs to the sound as a whole: its envelope."""
    envelope = dict(table.get("envelope", {}))
    for target in ("attack", "decay", "release"):
        if octaves := moves.get((target, 0), 0.0):
            key = f"{target}_s"
            time_s = getattr(sound.envelope, key) * 2.0**octaves
            envelope[key] = _within(time_s, Envelope, key)
    if sustain := moves.get(("sustain", 0), 0.0):
        held = sound.envelope.sustain * 10.0 ** (sustain / 20)
        envelope["sustain"] = _within(held, Envelope, "sustain")
    if envelope:
        table["envelope"] = envelope


def _each(value: Any, change: Callable[[float], float]) -> Any:
    return [change(each) for each in value] if isinstance(value, list) else change(value)


def _scaled(factor: float, key: str) -> Callable[[float], float]:
    return lambda value: _within(value * factor, Rank, key)


def _decibels(value: float) -> float:
    return round(min(_MOST_DB, max(_LEAST_DB, value)), 2)


def _within(value: float, section: type[Section], key: str) -> float:
    """Return a value that a sound's file takes under a key."""
    least, most = limits(section, key)
    return round(min(most, max(least, value)), 5)
