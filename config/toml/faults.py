"""Faults in a file of the owner's: all of them at once, one line each.

A line says where, what and the rule: ``file: key = value: rule``, with a suggestion for an unknown
key. Array items count from 1.
"""

import tomllib
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from config.toml.printable import printable
from config.toml.syntax import explained
from config.toml.wording import dotted, homes, rule, walk, written

M = TypeVar("M", bound=BaseModel)
Steps = tuple[int | str, ...]
Where = str | Callable[[str], str]
"""The name of the file, or a function from a dotted key to the file that sets it."""

_OF_ANOTHER_FORM = ("float_type", "list_type", "literal_error")
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
    """Return the model of a plain table.

    Raises
    ------
    ConfigError
        With one line for every fault.
    """
    try:
        return model.model_validate(plain)
    except ValidationError as error:
        lines: dict[Steps, str] = {}
        nearly: set[Steps] = set()
        for fault in error.errors():
            path, line = _line(model, plain, fault, where)
            # Where a value may have several forms, the fault of the closest one is reported ...
            if fault["type"] not in _OF_ANOTHER_FORM:
                nearly.add(path)
            elif path in nearly:
                continue
            lines[path] = line
        # ... unless an item inside the value has its own.
        items = {path[:-1] for path in lines if path and isinstance(path[-1], int)}
        raise ConfigError(line for path, line in lines.items() if path not in items) from None


def suggestion(word: str, known: Iterable[str]) -> str:
    """Return ``; did you mean 'x'?`` if something known resembles the word, else nothing."""
    from difflib import get_close_matches  # of use where there is a fault, and large

    names = {name.lower(): name for name in known}
    close = get_close_matches(word[:_LONGEST_WORD].lower(), names, n=1, cutoff=0.6)
    return f"; did you mean '{names[close[0]]}'?" if close else ""


def _line(
    model: type[BaseModel], plain: dict[str, Any], fault: ErrorDetails, where: Where
) -> tuple[Steps, str]:
    """Return where a fault is, as keys and indices, and its line."""
    steps = _steps(plain, fault)
    key = dotted(steps)
    value = fault["input"]
    broken = rule(fault, walk(model, steps)[0])
    match fault["type"]:
        case "extra_forbidden":
            _, table = walk(model, steps[:-1])
            last, known = str(steps[-1]), table.model_fields if table else ()
            elsewhere = " or ".join(homes(model, last))
            remedy = f" here; it belongs {elsewhere}" if elsewhere else suggestion(last, known)
            said = f"{key}: unknown key{remedy}"
        case "missing":
            said = f"{key}: must be given"
        case "value_error" if isinstance(value, dict):
            # A rule on a whole table begins with the key it is about.
            said = f"{key}.{broken}" if key else broken
        case "value_error" if fault["loc"][-1:] == ("[key]",):
            said = f"{key}: {broken}"
        case _:
            said = f"{key} = {written(value)}: {broken}"
    path = (*steps, "[key]") if fault["loc"][-1:] == ("[key]",) else tuple(steps)
    return path, f"{where if isinstance(where, str) else where(key)}: {said}"


def _steps(plain: dict[str, Any], fault: ErrorDetails) -> list[int | str]:
    """Return the path to a fault in the file.

    The names that a union's branches have in the library's path are left out.
    """
    steps: list[int | str] = []
    value: Any = plain
    for place, step in enumerate(fault["loc"], 1):
        if step in value if isinstance(value, dict) else isinstance(step, int):
            value = value[step]
            steps.append(step)
        elif fault["type"] == "missing" and place == len(fault["loc"]):
            steps.append(step)
    return steps
