"""Faults in a file the owner wrote: every one at once, one line each.

A line says where, what and the rule: ``file: key = value: rule``, with a suggestion for a key
that is unknown. Array items count from 1.
"""

import re
import tomllib
from collections.abc import Callable, Iterable
from difflib import get_close_matches
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

M = TypeVar("M", bound=BaseModel)
Where = str | Callable[[str], str]
"""The name of the file, or a function from a dotted key to the file it stands in."""

_TYPOGRAPHIC = {
    "“": 'a curly quote; type "',
    "”": 'a curly quote; type "',
    "„": 'a low quote; type "',
    "‘": "a curly quote; type '",
    "’": "a curly quote; type '",
    "«": 'an angle quote; type "',
    "»": 'an angle quote; type "',
    "−": "a typographic minus; type -",
    "–": "a dash; type -",
    "—": "a long dash; type -",
    "\u00a0": "a no-break space; type a plain space",
}
_LONGEST = 40


class ConfigError(Exception):
    """A file that is not as it has to be. The reader can mend the file."""

    def __init__(self, faults: Iterable[str]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(self.faults))


def parse_toml(text: str, where: str) -> dict[str, Any]:
    """Return the tables of a TOML text.

    Raises
    ------
    ConfigError
        With the line of the first fault; a typographic character there is called by its name.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        found = re.search(r"\(at line (\d+), column \d+\)|\(at end of document\)", message)
        lines = text.splitlines()
        number = int(found[1]) if found and found[1] else len(lines)
        line = lines[number - 1] if 0 < number <= len(lines) else ""
        rule = message[: found.start()].strip() if found else message
        for character, name in _TYPOGRAPHIC.items():
            if character in line:
                rule = f"{character} is {name}"
                break
        raise ConfigError(
            [f"{where}: line {number}: {_plain(rule)}: {_short(line.strip())}"]
        ) from None


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
        lines: dict[str, str] = {}
        for fault in error.errors():
            key, line = _line(model, fault, where)
            # Of several forms that a value may have, the last one speaks ...
            lines[key] = line
        # ... unless an item inside the value has a fault of its own.
        raise ConfigError(
            line
            for key, line in lines.items()
            if not key or not any(other.startswith(f"{key}[") for other in lines)
        ) from None


def suggestion(word: str, known: Iterable[str]) -> str:
    """Return ``; did you mean 'x'?`` when something known is like the word, else nothing."""
    close = get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"; did you mean '{close[0]}'?" if close else ""


def _line(model: type[BaseModel], fault: ErrorDetails, where: Where) -> tuple[str, str]:
    """Return the dotted key of a fault and its line."""
    steps = [step for step in fault["loc"] if not _is_branch(step)]
    key = "".join(
        f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in steps
    ).lstrip(".")
    file = where if isinstance(where, str) else where(key)
    match fault["type"]:
        case "extra_forbidden":
            said = f"{key}: unknown key{suggestion(str(steps[-1]), _keys(model, steps))}"
        case "missing":
            said = f"{key}: has to be there"
        case "value_error":
            rule = str(fault["msg"]).removeprefix("Value error, ")
            said = f"{key}: {rule}" if key else rule
        case _:
            said = f"{key} = {_short(_toml(fault['input']))}: {_rule(fault)}"
    return key, f"{file}: {said}"


def _rule(fault: ErrorDetails) -> str:
    """Return the rule that was broken, in plain words."""
    context = fault.get("ctx", {})
    got = _kind(fault["input"])
    match fault["type"]:
        case "greater_than_equal":
            return f"has to be {context['ge']:g} or more"
        case "less_than_equal":
            return f"has to be {context['le']:g} or less"
        case "int_type" | "int_from_float":
            return f"has to be a whole number, not {got}"
        case "float_type" | "finite_number":
            return f"has to be a number, not {got}"
        case "string_type":
            return f"has to be text in quotes, not {got}"
        case "list_type":
            return f"has to be a list in [ ], not {got}"
        case "dict_type" | "model_type" | "model_attributes_type":
            return f"has to be a table, not {got}"
        case "literal_error":
            return f"has to be one of {str(context['expected']).replace(' or ', ', ')}"
        case "string_too_short":
            return "may not be empty"
        case "string_too_long" | "too_long":
            return f"at most {context['max_length']} long"
        case "too_short":
            return f"at least {context['min_length']} long"
    return _plain(fault["msg"])


def _kind(value: object) -> str:
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
    return f"a {type(value).__name__}"


def _keys(model: type[BaseModel], steps: list[int | str]) -> list[str]:
    """Return the keys known in the table that the last step is in."""
    for step in steps[:-1]:
        if isinstance(step, str) and step in model.model_fields:
            nested = _model_in(model.model_fields[step].annotation)
            if nested is None:
                return []
            model = nested
    return list(model.model_fields)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    inside = (_model_in(part) for part in get_args(annotation))
    return next((each for each in inside if each is not None), None)


def _is_branch(step: int | str) -> bool:
    """Return whether a step names a branch of a union rather than a key."""
    return isinstance(step, str) and ("[" in step or step in ("float", "constrained-float"))


def _toml(value: object) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return f'"{value}"'
    return str(value)


def _short(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


def _plain(message: str) -> str:
    return message[:1].lower() + message[1:]
