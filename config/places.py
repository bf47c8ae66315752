"""The line in which a key of a settings file stands."""

import re

_NAME = r"""(?:[\w-]+|"[^"]*"|'[^']*')"""
_TABLE = re.compile(rf"\s*(\[\[?)\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*\]")
_KEY = re.compile(rf"\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")


def line_of(text: str, key: str) -> int:
    """Return the line, from 1, of a dotted key, or of the table it is in; 0: neither is found.

    Items of lists count from 1: ``bindings[2].control``.
    """
    table, found = "", 0
    items: dict[str, int] = {}
    for number, line in enumerate(text.split("\n"), 1):
        if header := _TABLE.match(line):
            table = here = _plain(header[2])
            if header[1] == "[[":
                items[table] = items.get(table, 0) + 1
                table = here = f"{table}[{items[table]}]"
        elif assigned := _KEY.match(line):
            here = f"{table}.{_plain(assigned[1])}".removeprefix(".")
        else:
            continue
        if key == here or key.startswith((f"{here}.", f"{here}[")):
            found = number
    return found


def _plain(name: str) -> str:
    return re.sub(r"\s*\.\s*", ".", name).replace('"', "").replace("'", "")
