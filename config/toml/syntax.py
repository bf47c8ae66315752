"""The text of TOML files: what is wrong with one, the line of a key, a value written inline.

Faults are explained for somebody who has never seen TOML: the parser says where it stopped, and
the place and the line mostly show what was meant. Where they do not, the parser's own words stand.
"""

import json
import re

from config.toml.wording import lower_first, one_line

_TYPOGRAPHIC = {
    "“": 'a curly quote; type "',
    "”": 'a curly quote; type "',
    "„": 'a low quote; type "',
    "\N{LEFT SINGLE QUOTATION MARK}": "a curly quote; type '",
    "\N{RIGHT SINGLE QUOTATION MARK}": "a curly quote; type '",
    "«": 'an angle quote; type "',
    "»": 'an angle quote; type "',
    "\N{MINUS SIGN}": "a typographic minus; type -",
    "\N{EN DASH}": "a dash; type -",
    "—": "a long dash; type -",
    "\u00a0": "a no-break space; type a plain space",
    "\u202f": "a narrow no-break space; type a plain space",
    "\u200b": "a space without width; delete it",
}
_UNCLOSED = ("Illegal character '\\n'", 'Expected "\'"', "Unterminated string")
_NAME = r"""(?:[\w-]+|"[^"]*"|'[^']*')"""
_TABLE = re.compile(rf"\s*(\[\[?)\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*\]")
_KEY = re.compile(rf"\s*({_NAME}(?:\s*\.\s*{_NAME})*)\s*=")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_PLACE = re.compile(r" *\((?:at line (\d+), column (\d+)|at end of document)\)")


def explained(message: str, text: str) -> str:
    """Return line, rule and the line's text, for the parser's message."""
    found = _PLACE.search(message)
    said = message[: found.start()] if found else message
    lines = text.split("\n")
    if found and found[1]:
        number, place = int(found[1]), int(found[2]) - 1
    else:
        number, place = _last_opened(said, lines), len(text)
    line = lines[number - 1] if 0 < number <= len(lines) else ""
    return f"line {number}: {_rule(said, line, place)}: {one_line(line)}"


def _last_opened(said: str, lines: list[str]) -> int:
    """Return the line to look at when the text ended too early."""
    if said == 'Expected "\'"':  # of a text between single quotes that are not closed
        return max(number for number, line in enumerate(lines, 1) if "'" in line)
    return len("\n".join(lines).rstrip().split("\n"))


def _rule(said: str, line: str, place: int) -> str:
    before, at, after = line[:place], line[place : place + 1], line[place + 1 :]
    unclosed = said in _UNCLOSED
    odd = [at] if at in _TYPOGRAPHIC else [each for each in line if each in _TYPOGRAPHIC]
    if odd and (at in _TYPOGRAPHIC or unclosed):
        shown = odd[-1] if odd[-1].isprintable() else f"U+{ord(odd[-1]):04X}"
        return f"{shown} is {_TYPOGRAPHIC[odd[-1]]}"
    if unclosed:
        return "a quote is missing at the end of the text"
    if "\\" in before + at and (said.startswith("Unescaped '\\'") or said == "Invalid hex value"):
        return r"\ is not a plain letter; type \\"
    if said.startswith("Cannot declare"):
        return "this table is already there; put its keys together"
    if said == "Cannot overwrite a value":
        return "this key is already there"
    if said.startswith("Expected '=' after a key"):
        return "there must be = between a key and its value"
    if said == "Invalid value":
        if not at or at == "#":
            return "a value is missing after ="
        word = re.match(r"\w*", line[place:]) or ""
        if word and word[0].lower() in ("true", "false"):
            return f"type {word[0].lower()} in lower case"
        if at.isalpha():
            return "text needs quotes around it"
        if at == "." and after[:1].isdigit():
            return "there must be a digit on either side of the point"
    if said.startswith("Expected newline or end of document after a statement"):
        if at == "," and before[-1:].isdigit() and after[:1].isdigit():
            return "a decimal comma; type a point"
        if at == "." and before[-1:].isdigit():
            return "there must be a digit on either side of the point"
        if at.isdigit() and re.search(r"(?<![\w.])0$", before):
            return "a number may not begin with 0"
        return "only a remark after # may follow"
    return lower_first(said)


def line_of(text: str, key: str) -> int:
    """Return the line, from 1, of a dotted key, or of the table it is in; 0: neither is found.

    Items of lists count from 1: ``bindings[2].control``.
    """
    table, found = "", 0
    items: dict[str, int] = {}
    for number, line in enumerate(text.split("\n"), 1):
        if header := _TABLE.match(line):
            table = here = _bare(header[2])
            if header[1] == "[[":
                items[table] = items.get(table, 0) + 1
                table = here = f"{table}[{items[table]}]"
        elif assigned := _KEY.match(line):
            here = f"{table}.{_bare(assigned[1])}".removeprefix(".")
        else:
            continue
        if key == here or key.startswith((f"{here}.", f"{here}[")):
            found = number
    return found


def _bare(name: str) -> str:
    return re.sub(r"\s*\.\s*", ".", name).replace('"', "").replace("'", "")


def inline(value: object) -> str:
    """Return a value as TOML in one line."""
    if isinstance(value, dict):
        pairs = (
            f"{key if _BARE.fullmatch(key) else json.dumps(key)} = {inline(each)}"
            for key, each in value.items()
        )
        return "{ " + ", ".join(pairs) + " }" if value else "{}"
    if isinstance(value, list):
        return f"[{', '.join(inline(each) for each in value)}]"
    # JSON writes text, numbers, true and false as TOML does.
    written = json.dumps(value, ensure_ascii=False)
    return "".join(each if each.isprintable() else f"\\U{ord(each):08x}" for each in written)
