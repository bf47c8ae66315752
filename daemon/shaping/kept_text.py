"""A sound file's text with other values: remarks, order and layout stay as they were.

Promise: read again, the text is the new table. What is not in the old file is added at the end of
its section.
"""

from itertools import takewhile
from pathlib import Path
from typing import Any

from config.library import OWNER_FOLDERS, SHIPPED
from config.toml.faults import parse_toml
from daemon.storage.sound_text import text_of


def text_with(text: str, table: dict[str, Any]) -> str:
    """Return a sound file's text with the values of a table."""
    try:
        import tomlkit
    except ImportError:  # then what stands above the first value is all that is kept
        lines = iter(text.splitlines())
        return text_of(table, [line[2:] for line in takewhile(_is_remark, lines)])
    document = tomlkit.parse(text)
    _change(document, table)
    changed = tomlkit.dumps(document)
    return changed if parse_toml(changed, "sound") == table else text_of(table)


def _is_remark(line: str) -> bool:
    return line.startswith("# ")


def file_of(name: str) -> Path | None:
    """Return the file of a sound, the owner's before the one that comes with partiald."""
    for folder in (*reversed(OWNER_FOLDERS), SHIPPED):
        path = folder / f"{name}.toml"
        if path.is_file():
            return path
    return None


def _change(here: Any, wanted: dict[str, Any]) -> None:
    for key in [key for key in here if key not in wanted]:
        del here[key]
    for key, value in wanted.items():
        old = here.get(key)
        if old is None:
            here[key] = value
        elif isinstance(value, dict) and isinstance(old, dict):
            _change(old, value)
        elif _tables(value) and _tables(old) and len(value) == len(old):
            for each, new in zip(old, value, strict=True):
                _change(each, new)
        elif isinstance(value, list) and isinstance(old, list) and len(value) == len(old):
            for place, new in enumerate(value):
                if old[place] != new:
                    old[place] = new
        elif old != value:
            here[key] = value


def _tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and isinstance(value[0], dict)
