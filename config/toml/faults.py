"""Faults in a file of the owner's: all of them at once, one line each.

A line says where, what and the rule: ``file: key = value: rule``, with a suggestion for an unknown
key. Array items count from 1.
"""

import tomllib
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, TypeVar, get_args, get_origin

from config.toml.checking import KEY, Fault, Steps
from config.toml.printable import printable
from config.toml.section import Section, SectionError
from config.toml.syntax import explained
from config.toml.wording import dotted, written

M = TypeVar("M", bound=Section)
Where = str | Callable[[str], str]
"""The name of the file, or a function from a dotted key to the file that sets it."""

_LONGEST_WORD = 100


class ConfigError(Exception):
    """A fault in a settings or sound file, which the owner can mend."""

    def __init__(self, faults: Iterable[str]) -> None:
        self.faults = [printable(line) for line in faults]
        super().__init__("\n".join(self.faults))


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """Return the tables of a TOML text.

    Raises
    ------
    ConfigError
        With the line of the first fault; a typographic character there is named.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([f"{where}: {explained(str(error), text)}"]) from None
    except RecursionError:
        raise ConfigError([f"{where}: lists or tables are nested too deeply"]) from None
    except ValueError:  # Python reads no decimal number of over 4300 digits
        raise ConfigError([f"{where}: a number in it has too many digits"]) from None


def validate(model: type[M], plain: dict[str, Any], where: Where) -> M:
    """Return the section of a plain table.

    Raises
    ------
    ConfigError
        With one line for every fault.
    """
    try:
        return model.model_validate(plain)
    except SectionError as error:
        lines: dict[Steps, str] = {}
        nearly: set[Steps] = set()
        for fault in error.faults:
            # Where a value may have several forms, the fault of the closest one is reported ...
            if fault.kind != "form":
                nearly.add(fault.steps)
            elif fault.steps in nearly:
                continue
            lines[fault.steps] = _line(model, fault, where)
        # ... unless an item inside the value has its own.
        items = {path[:-1] for path in lines if path and isinstance(path[-1], int)}
        raise ConfigError(line for path, line in lines.items() if path not in items) from None


def suggestion(word: str, known: Iterable[str]) -> str:
    """Return ``; did you mean 'x'?`` if something known resembles the word, else nothing."""
    from difflib import get_close_matches  # for faults alone

    names = {name.lower(): name for name in known}
    close = get_close_matches(word[:_LONGEST_WORD].lower(), names, n=1, cutoff=0.6)
    return f"; did you mean '{names[close[0]]}'?" if close else ""


def _line(model: type[Section], fault: Fault, where: Where) -> str:
    """Return the line of a fault."""
    steps = fault.steps[:-1] if fault.steps[-1:] == (KEY,) else fault.steps
    key = dotted(steps)
    match fault.kind:
        case "unknown":
            table, last = walk(model, steps[:-1]), str(steps[-1])
            elsewhere = " or ".join(homes(model, last))
            known = table.fields() if table else ()
            remedy = f" here; it belongs {elsewhere}" if elsewhere else suggestion(last, known)
            said = f"{key}: unknown key{remedy}"
        case "table":
            # A rule on a whole table begins with the key it is about.
            said = f"{key}.{fault.rule}" if key else fault.rule
        case _ if steps != fault.steps or fault.kind == "missing":
            said = f"{key}: {fault.rule}"
        case _:
            said = f"{key} = {written(fault.value)}: {fault.rule}"
    return f"{where if isinstance(where, str) else where(key)}: {said}"


def walk(model: type[Section], steps: Sequence[int | str]) -> type[Section] | None:
    """Return the section that a way in a file leads to."""
    here: type[Section] | None = model
    inside: list[type[Section]] = []
    for step in steps:
        if here is not None and isinstance(step, str):
            field = here.fields().get(step)
            inside = [] if field is None else list(_sections_in(field.annotation))
        if not inside:
            return None
        here = inside[0]
    return here


def homes(model: type[Section], key: str, above: str = "") -> Iterator[str]:
    """Yield the places in the file where a misplaced key belongs."""
    for name, field in model.fields().items():
        inside = next(_sections_in(field.annotation), None)
        if inside is None and name == key:
            yield above or "above the first [table]"
        elif inside is not None:
            several = get_origin(field.annotation) is list
            yield from homes(inside, key, f"under [[{name}]]" if several else f"under [{name}]")


def _sections_in(form: Any) -> Iterator[type[Section]]:
    if isinstance(form, type) and issubclass(form, Section):
        yield form
    for part in get_args(form):
        yield from _sections_in(part)
