"""The command ``partiald check``: the settings in force, as TOML, each with its origin.

Promise: the lines are a settings file that means what is in force; the origins are comments.
"""

import argparse
import sys
from pathlib import Path
from typing import Any

from config.layers import InForce, load, load_file
from config.library import load_sounds
from config.settings import Settings
from config.sound import Sound
from config.toml.faults import ConfigError, parse_toml, validate
from config.toml.files import read_text
from config.toml.printable import printable
from config.toml.syntax import inline
from config.toml.wording import counted

_VALUE_WIDTH = 40


def run(arguments: argparse.Namespace) -> int:
    """Print settings and origins, or check one file."""
    lines = _everything(arguments.settings) if arguments.file is None else _one(arguments.file)
    sys.stdout.write("\n".join(lines) + "\n")
    return 0


def _everything(only: Path | None) -> list[str]:
    """Return the settings in force; faults in sound files count here, too."""
    sounds, faults = load_sounds()
    try:
        in_force = load(None, sounds) if only is None else load_file(only, sounds)
    except ConfigError as error:
        faults = [*error.faults, *faults]
    if faults:
        raise ConfigError(faults)
    return _table(in_force)


def _one(path: Path) -> list[str]:
    """Return the lines for one file, of settings or of a sound."""
    text, name = read_text(path), printable(str(path))
    plain = parse_toml(text, name)
    if _is_sound(path, plain):
        count = validate(Sound, plain, name).count
        return [f"{name}: a sound, {counted(count, 'partial')}: no fault"]
    sounds, _ = load_sounds()
    return [*_table(load_file(path, sounds, text=text)), f"# {name}: settings: no fault"]


def _is_sound(path: Path, plain: dict[str, Any]) -> bool:
    """Return whether most of a file's keys are a sound's; without any its folder decides."""
    of_sound = len(plain.keys() & Sound.model_fields.keys())
    of_settings = len(plain.keys() & Settings.model_fields.keys())
    return of_sound > of_settings or (not of_settings and path.resolve().parent.name == "sounds")


def _table(in_force: InForce) -> list[str]:
    """Return every setting, its origin at the end of each of its lines."""
    plain = in_force.settings.model_dump(exclude_none=True)
    plain["bindings"] = [
        each.model_dump(exclude_defaults=True) for each in in_force.settings.bindings
    ]
    rows = [
        (line, in_force.origins.get(key, "default"))
        for key, value in _leaves(plain)
        for line in _assignment(key, value)
    ]
    wide = max(len(line) for line, _ in rows)
    lines = [f"{line:{wide}}  # {origin}" for line, origin in rows]
    return [*lines, *(f"# {line}" for line in in_force.overridden)]


def _leaves(plain: dict[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    """Return every dotted key with its value."""
    rows: list[tuple[str, Any]] = []
    for key, value in plain.items():
        if isinstance(value, dict) and value:
            rows += _leaves(value, f"{prefix}{key}.")
        else:
            rows.append((prefix + key, value))
    return rows


def _assignment(key: str, value: Any) -> list[str]:
    """Return a key and its value in one line, a long list in several."""
    written = inline(value)
    if not isinstance(value, list) or len(written) <= _VALUE_WIDTH:
        return [f"{key} = {written}"]
    lines, line = [f"{key} = ["], ""
    for item in value:
        if line and len(line) + len(inline(item)) > _VALUE_WIDTH:
            lines.append(line.rstrip())
            line = ""
        line += ("" if line else "  ") + f"{inline(item)}, "
    return [*lines, line.rstrip(), "]"]
