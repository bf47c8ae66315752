"""What is wrong with a text that is no TOML, in the words of somebody who has never seen TOML.

The parser says where it stopped; the place and the line mostly tell what was meant. Where they
do not, the parser's own words stand.
"""

import re

from config.wording import lower_first, one_line

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
_PLACE = re.compile(r" *\((?:at line (\d+), column (\d+)|at end of document)\)")


def explained(message: str, text: str) -> str:
    """Return line, rule and the line's text, from the parser's message."""
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
        return r"\ is no plain letter; type \\"
    if said.startswith("Cannot declare"):
        return "this table has been there before; put its keys together"
    if said == "Cannot overwrite a value":
        return "this key has been there before"
    if said.startswith("Expected '=' after a key"):
        return "= has to stand between a key and its value"
    if said == "Invalid value":
        if not at or at == "#":
            return "a value is missing after ="
        if at.isalpha():
            return "text has to stand in quotes"
        if at == "." and after[:1].isdigit():
            return "a digit has to stand on either side of the point"
    if said.startswith("Expected newline or end of document after a statement"):
        if at == "," and before[-1:].isdigit() and after[:1].isdigit():
            return "a decimal comma; type a point"
        if at == "." and before[-1:].isdigit():
            return "a digit has to stand on either side of the point"
        if at.isdigit() and re.search(r"(?<![\w.])0$", before):
            return "a number may not begin with 0"
        return "nothing but a remark after # may follow"
    return lower_first(said)
