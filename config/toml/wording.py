"""Rules that a value can break, values and counts, in plain words on one line."""

from collections.abc import Sequence

from config.toml.printable import printable

_LONGEST = 40


def dotted(steps: Sequence[int | str]) -> str:
    """Return a path as the owner would write it: ``bindings[2].control``."""
    return "".join(
        f"[{step + 1}]" if isinstance(step, int) else f".{one_line(step)}" for step in steps
    ).removeprefix(".")


def kind(value: object) -> str:
    """Return what a TOML value is."""
    match value:
        case bool():
            return "true or false"
        case int():
            return "a whole number"
        case float():
            return "a decimal number"
        case str():
            return "text"
        case list():
            return "a list"
        case dict():
            return "a table"
    return "a date or time"


def written(value: object) -> str:
    """Return a value as it stands in a file, shortened; tables and lists only in outline."""
    match value:
        case bool():
            return str(value).lower()
        case int() if abs(value) >= 1 << 64:
            return "a number of over 19 digits"
        case str():
            return f'"{one_line(value)}"'
        case dict():
            return "{ ... }" if value else "{}"
        case list():
            return "[ ... ]" if value else "[]"
    return one_line(str(value))


def one_line(text: str) -> str:
    """Return a text shortened, on one line, without characters that a terminal obeys."""
    text = printable(" ".join(text[:1000].split()))
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def counted(number: int, thing: str) -> str:
    """Return a number and what it counts: 1 note, 2 notes."""
    return f"{number:,} {thing}" if number == 1 else f"{number:,} {thing}s"


def lower_first(message: str) -> str:
    """Return a message as the second half of a line."""
    return message[:1].lower() + message[1:]
