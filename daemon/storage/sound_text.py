"""The text of a sound file, from its table.

Promise: read again, the text is the table; keys stand as a person would write them, single values
first, then ranks and sections, and no line is wider than 100 columns unless one value is.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from config.toml.syntax import inline

_WIDTH = 100


def text_of(table: Mapping[str, Any], remarks: Sequence[str] = ()) -> str:
    """Return a sound file's text, with remarks above."""
    lines = [f"# {remark}" for remark in remarks]
    single = {key: value for key, value in table.items() if not _is_section(value)}
    lines += [line for key, value in single.items() for line in _assigned(key, value)]
    for key, value in table.items():
        if key in single:
            continue
        head = f"[[{key}]]" if isinstance(value, list) else f"[{key}]"
        for each in value if isinstance(value, list) else [value]:
            lines += ["", head]
            lines += [line for name, one in each.items() for line in _assigned(name, one)]
    return "\n".join(lines) + "\n"


def _is_section(value: object) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and isinstance(value[0], dict)
    )


def _assigned(key: str, value: object) -> Iterator[str]:
    """Yield a key and its value; a long list over several lines."""
    key = key if key.replace("_", "").replace("-", "").isalnum() else inline(key)
    line = f"{key} = {inline(value)}"
    if len(line) <= _WIDTH or not isinstance(value, list):
        yield line
        return
    yield f"{key} = ["
    row = ""
    for each in value:
        piece = f"{inline(each)}, "
        if len(row) + len(piece) > _WIDTH - 4:
            yield f"    {row.rstrip()}"
            row = ""
        row += piece
    yield f"    {row.rstrip()}"
    yield "]"
