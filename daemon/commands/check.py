"""`partiald check`: the settings in force, each with the file it comes from."""

import argparse
import json
import sys
from pathlib import Path
from typing import Any

from config.faults import ConfigError, parse_toml, validate
from config.files import read_text
from config.layers import InForce, load, load_file
from config.library import load_sounds
from config.settings import Settings
from config.sound import Sound
from config.wording import printable


def run(arguments: argparse.Namespace) -> int:
    """Print settings and origins, or look over one file."""
    lines = _everything(arguments.settings) if arguments.file is None else _one(arguments.file)
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


def _everything(only: Path | None) -> list[str]:
    """Return the lines on the settings in force; a fault in a sound file is one here too."""
    sounds, faults = load_sounds()
    try:
        in_force = load(None, sounds) if only is None else load_file(only, sounds)
    except ConfigError as error:
        faults = [*error.faults, *faults]
    if faults:
        raise ConfigError(faults)
    return _table(in_force)


def _one(path: Path) -> list[str]:
    """Return the lines on one file, of settings or of a sound."""
    text, name = read_text(path), printable(str(path))
    plain = parse_toml(text, name)
    if _is_of_a_sound(path, plain):
        count = len(validate(Sound, plain, name).ratios)
        return [f"{name}: a sound, {count} {'partial' if count == 1 else 'partials'}: no fault"]
    sounds, _ = load_sounds()
    return [*_table(load_file(path, sounds, text=text)), f"{name}: settings: no fault"]


def _is_of_a_sound(path: Path, plain: dict[str, Any]) -> bool:
    """Return whether a file's keys are mostly a sound's; without any its folder tells."""
    of_sound = len(plain.keys() & Sound.model_fields.keys())
    of_settings = len(plain.keys() & Settings.model_fields.keys())
    return of_sound > of_settings or (not of_settings and path.resolve().parent.name == "sounds")


def _table(in_force: InForce) -> list[str]:
    """Return a line for every setting: key, value, origin."""
    rows = [
        (key, value, in_force.origins.get(key, "default"))
        for key, value in _rows(in_force.settings.model_dump(exclude_none=True))
    ]
    wide = max(len(key) for key, _, _ in rows)
    longest = max(len(value) for _, value, _ in rows)
    lines = [f"{key:{wide}}  {value:{longest}}  {origin}" for key, value, origin in rows]
    return [*lines, *in_force.overridden]


def _rows(plain: dict[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for key, value in plain.items():
        if value == {}:
            rows.append((prefix + key, "none"))
        elif isinstance(value, dict):
            rows += _rows(value, f"{prefix}{key}.")
        elif key == "bindings":
            rows += [(key, _binding(each)) for each in value] or [(key, "none")]
        elif isinstance(value, list):
            rows.append((prefix + key, _list(value)))
        else:
            rows.append((prefix + key, _quoted(value) if isinstance(value, str) else str(value)))
    return rows


def _binding(plain: dict[str, Any]) -> str:
    which = f" {plain['partial']}" if plain["partial"] else ""
    ends = [f"{end} {plain[end]}" for end in ("low", "high") if end in plain]
    return ", ".join([f"control {plain['control']}: {plain['target']}{which}", *ends])


def _list(values: list[Any]) -> str:
    if len(values) > 3:
        return f"{len(values)} of them, {values[0]} to {values[-1]}"
    return _quoted(values)


def _quoted(value: str | list[Any]) -> str:
    return json.dumps(value, ensure_ascii=False)  # as TOML writes it
