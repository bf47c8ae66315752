"""`partiald check`: the settings in force, each with the file it comes from."""

import argparse
import sys
from pathlib import Path
from typing import Any

from config.faults import ConfigError, parse_toml
from config.files import read_text
from config.layers import InForce, load
from config.library import load_sounds, read_sound


def run(arguments: argparse.Namespace) -> int:
    """Print settings and origins, or look over one file."""
    sounds, faults = load_sounds()
    if arguments.file is None:
        only = [Path(arguments.settings)] if arguments.settings else None
        in_force = load(only, sounds)
        if faults:
            raise ConfigError(faults)
        lines = _table(in_force)
    else:
        path = Path(arguments.file)
        if "title" in parse_toml(read_text(path), str(path)):
            sound = read_sound(path)
            lines = [f"{path}: a sound, {len(sound.ratios)} partials: no fault"]
        else:
            in_force = load([path], sounds)
            lines = [*_table(in_force), f"{path}: settings: no fault"]
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


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
        if isinstance(value, dict):
            rows += _rows(value, f"{prefix}{key}.")
        elif key == "bindings":
            rows += [(key, _binding(each)) for each in value] or [(key, "none")]
        elif isinstance(value, list):
            rows.append((prefix + key, _list(value)))
        else:
            rows.append((prefix + key, f'"{value}"' if isinstance(value, str) else str(value)))
    return rows


def _binding(plain: dict[str, Any]) -> str:
    which = f" {plain['partial']}" if plain["partial"] else ""
    ends = [f"{end} {plain[end]}" for end in ("low", "high") if end in plain]
    return ", ".join([f"control {plain['control']}: {plain['target']}{which}", *ends])


def _list(values: list[Any]) -> str:
    if len(values) > 3:
        return f"{len(values)} of them, {values[0]} to {values[-1]}"
    return str(values).replace("'", '"')
