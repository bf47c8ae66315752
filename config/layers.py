"""The layers of settings, from the defaults to the file on the boot partition.

Each layer may set any key, and a later one overrides an earlier one: the defaults, the owner's
file, what was learned from the controller, and the file on the board's boot partition (which a
card reader in any computer can edit). A later edit overrides what was learned: the table
``[instead_of]`` holds the owner's value of the time for every learned value, and once the owner's
file says something else, the learned value no longer counts. A volume is learned downwards only:
after a power-off other headphones may be plugged in.
"""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from config.settings import Settings
from config.toml.faults import ConfigError, parse_toml, suggestion, validate
from config.toml.files import read_text
from config.toml.printable import printable
from config.toml.syntax import line_of
from config.toml.wording import written

OWNER = Path("/etc/partiald/partiald.toml")
LEARNED = Path("/var/lib/partiald/learned.toml")
BOOT = Path("/boot/firmware/partiald.toml")
DEFAULT_PATHS = (OWNER, LEARNED, BOOT)
VOLUME = "level.volume_db"
LEARNABLE = ("bindings", "level.volume_db", "sound.name")

Plain = dict[str, Any]


class InForce(NamedTuple):
    """The settings in force, and where each comes from."""

    settings: Settings
    origins: Mapping[str, str]
    """The file of every key that is not at its default, by dotted key."""
    overridden: Sequence[str] = ()
    """One line for every edit that a later layer overrides."""
    stood_in: Sequence[str] = ()
    """One line for every faulty file whose last good text plays instead."""


def load(
    paths: Sequence[Path] | None = None,
    sounds: Collection[str] | None = None,
    usual: Sequence[Path] = DEFAULT_PATHS,
) -> InForce:
    """Return the settings of the layers.

    Parameters
    ----------
    paths
        The files, lowest first; None: the usual ones.
    sounds
        The names a sound may have; None: names are not checked.
    usual
        The owner's file, the learned one and the boot partition's; any may be missing.

    Raises
    ------
    ConfigError
        With every fault of every layer.
    """
    in_force, faults = load_forgiving(paths, sounds, usual)
    if faults:
        raise ConfigError(faults)
    return in_force


def load_file(
    path: Path,
    sounds: Collection[str] | None = None,
    usual: Sequence[Path] = DEFAULT_PATHS,
    text: str | None = None,
) -> InForce:
    """Return the settings of one file, which must exist, in place of all layers.

    It is read once, so it may be a pipe; not at all if its ``text`` is given.

    Raises
    ------
    ConfigError
        With every fault of the file.
    """
    content = read_text(path) if text is None else text
    in_force, faults = _merged([path], lambda _: content, sounds, usual[1:2], alone=True)
    if faults:
        raise ConfigError(faults)
    return in_force


def load_forgiving(
    paths: Sequence[Path] | None = None,
    sounds: Collection[str] | None = None,
    usual: Sequence[Path] = DEFAULT_PATHS,
    last_good: Mapping[Path, str] | None = None,
) -> tuple[InForce, list[str]]:
    """Return settings whatever the files hold, and their faults.

    A layer with a fault is left out as a whole, or replaced by its text in ``last_good``; the
    others count. Parameters as for `load`.
    """

    def read(path: Path) -> str:
        return "" if path in usual and _is_missing(path) else read_text(path)

    layers = list(usual if paths is None else paths)
    good, learned = last_good or {}, usual[1:2]
    found = _merged(layers, read, sounds, learned, alone=False, last_good=good)
    if found[0].settings.remember == "nothing" and any(path in layers for path in learned):
        layers = [path for path in layers if path not in learned]
        found = _merged(layers, read, sounds, learned, alone=False, last_good=good)
    return found


def _merged(
    paths: Sequence[Path],
    read: Callable[[Path], str],
    sounds: Collection[str] | None,
    learned: Sequence[Path],
    *,
    alone: bool,
    last_good: Mapping[Path, str] | None = None,
) -> tuple[InForce, list[str]]:
    """Return the layers on top of each other, and the faults of those left out.

    The files in ``learned`` were learned; ``alone``: they count whatever the owner's file says.
    """
    merged: Plain = {}
    origins: dict[str, str] = {}
    overridden: list[str] = []
    stood_in: list[str] = []
    faults: list[str] = []
    for path in paths:
        where = printable(str(path))
        below = None if alone else merged
        try:
            plain = _layer(read(path), where, sounds, path in learned, below)
        except ConfigError as error:
            faults += error.faults
            try:
                text = (last_good or {})[path]
                plain = _layer(text, where, sounds, path in learned, below)
            except (KeyError, ConfigError):
                continue
            stood_in.append(f"{where}: plays as it was before the fault")
        for key, value in _leaves(plain):
            if key in origins and _get(merged, key) != value:
                overridden.append(f"{origins[key]}: {key}: overridden by {where}")
            _put(merged, key, value)
            origins[key] = where
    settings = validate(Settings, merged, "settings")
    return InForce(settings, origins, overridden, stood_in), faults


def _layer(
    text: str, where: str, sounds: Collection[str] | None, learned: bool, below: Plain | None
) -> Plain:
    """Return what a layer sets, or raise every fault in it."""
    plain = parse_toml(text, where)
    instead_of = plain.pop("instead_of", {}) if learned else {}

    def placed(key: str) -> str:
        line = line_of(text, key)
        return f"{where}: line {line}" if line else where

    _check(plain, placed, sounds)
    return _still_learned(plain, instead_of, below, where) if learned else plain


def _check(plain: Plain, where: Callable[[str], str], sounds: Collection[str] | None) -> None:
    """Raise every fault in a layer, which must be valid on its own."""
    faults = [] if sounds is None else _unknown_sounds(plain, where, sounds)
    try:
        validate(Settings, plain, where)
    except ConfigError as error:
        faults = [*error.faults, *faults]
    if faults:
        raise ConfigError(faults)


def _is_missing(path: Path) -> bool:
    try:
        return not path.exists()
    except OSError:  # its folder may not be searched; reading will say so
        return False


def _unknown_sounds(
    plain: Plain, where: Callable[[str], str], sounds: Collection[str]
) -> list[str]:
    """Return the faults of the layer's names of sounds that do not exist."""
    choices = [(key, _get(plain, key)) for key in ("sound.name", "sound.morph")]
    banks = _get(plain, "sound.banks")
    lists = {"sound.programs": _get(plain, "sound.programs")}
    if isinstance(banks, dict):
        lists |= {f"sound.banks.{number}": names for number, names in banks.items()}
    zones = _get(plain, "zones")
    for place, zone in enumerate(zones if isinstance(zones, list) else (), 1):
        if isinstance(zone, dict):
            choices.append((f"zones[{place}].sound", zone.get("sound")))
    for key, names in lists.items():
        if isinstance(names, list):
            choices += [(f"{key}[{place}]", name) for place, name in enumerate(names, 1)]
    return [
        f"{where(key)}: {key} = {written(name)}: no such sound{suggestion(name, sounds)}"
        for key, name in choices
        if isinstance(name, str) and name and name not in sounds
    ]


def _still_learned(plain: Plain, instead_of: object, below: Plain | None, where: str) -> Plain:
    """Return the learned values for which the owner's file has not changed since."""
    if not isinstance(instead_of, dict):
        raise ConfigError([f"{where}: instead_of = {written(instead_of)}: must be a table"])
    learned = dict(_leaves(plain))
    if others := [key for key in learned if key not in LEARNABLE]:
        raise ConfigError(
            f"{where}: {key}: cannot be learned; set it in your own file" for key in others
        )
    kept: Plain = {}
    for key, value in learned.items():
        before = instead_of.get(key, _get(instead_of, key))
        if key == VOLUME and below is not None and _is_louder(value, _get(below, key)):
            continue
        if below is None or _get(below, key) == before:
            _put(kept, key, value)
    return kept


def _is_louder(value: object, owners: object) -> bool:
    """Return whether a learned volume is above the one that is safe at power-on."""
    safe = Settings().level.volume_db if owners is None else owners
    numbers = isinstance(value, int | float) and isinstance(safe, int | float)
    return numbers and value > safe  # type: ignore[operator]


def _leaves(plain: Plain, prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Yield every dotted key with its value; lists are values."""
    for key, value in plain.items():
        if isinstance(value, dict):
            yield from _leaves(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value


def _get(plain: Plain, dotted: str) -> Any:
    value: Any = plain
    for key in dotted.split("."):
        value = value.get(key) if isinstance(value, dict) else None
    return value


def _put(plain: Plain, dotted: str, value: Any) -> None:
    *tables, last = dotted.split(".")
    for key in tables:
        plain = plain.setdefault(key, {})
    plain[last] = value
