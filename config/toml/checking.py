"""The checking of plain values against the forms of fields.

All faults are found at once. Strict: ``true`` is no number, ``"8"`` is none either; a whole number
does where a decimal one is meant.
"""

from collections.abc import Callable, Sequence
from math import isfinite
from types import UnionType
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin

from config.toml.field import After, Before, Limits
from config.toml.wording import kind, one_line

Steps = tuple[int | str, ...]
"""The way to a value: keys, and places in lists from 0."""
KEY = "[key]"
"""The last step to a key itself."""
Kind = Literal["value", "form", "table", "missing", "unknown"]


class Fault(NamedTuple):
    """A value that breaks a rule."""

    kind: Kind
    """What is wrong: the value, its form where there are several, a table as a whole; a key that
    is not there, or one that nobody knows."""
    steps: Steps
    value: Any
    rule: str


def checked(form: Any, value: Any, steps: Steps, faults: list[Fault]) -> Any:
    """Return a value as its form has it; what is wrong with it goes to ``faults``."""
    origin = get_origin(form)
    if origin is Annotated:
        return narrowed(form.__origin__, form.__metadata__, value, steps, faults)
    if origin is Union or origin is UnionType:
        return _of_several(get_args(form), value, steps, faults)
    if origin is Literal:
        return _named(get_args(form), value, steps, faults)
    if origin in (list, tuple):
        return _items(form, value, steps, faults)
    if origin is dict:
        return _entries(get_args(form), value, steps, faults)
    if form is Any:
        return value
    simple = _SIMPLE.get(form)
    if simple is None:  # a section
        return form.read(value, steps, faults)
    value, rule = simple(value)
    if rule:
        faults.append(Fault("form" if rule.startswith(_NO_NUMBER) else "value", steps, value, rule))
    return value


def narrowed(form: Any, notes: Sequence[Any], value: Any, steps: Steps, faults: list[Fault]) -> Any:
    """Return a value whose form is narrowed by limits and checks."""
    before, given = len(faults), value
    for note in reversed(notes):
        if isinstance(note, Before) and len(faults) == before:
            value = attempted(note.check, (value,), given, steps, faults)
    # Of a list that is too long no item is looked at.
    if len(faults) == before and not (isinstance(value, list) and _too_long(value, notes)):
        value = checked(form, value, steps, faults)
    for note in notes:
        if len(faults) > before:
            break
        if isinstance(note, After):
            value = attempted(note.check, (value,), given, steps, faults)
        elif isinstance(note, Limits) and value is not None and (rule := note.broken(value)):
            faults.append(Fault("value", steps, given, rule))
    return value


def _too_long(value: list[Any], notes: Sequence[Any]) -> bool:
    most = [note.max_length for note in notes if isinstance(note, Limits) and note.max_length]
    return bool(most) and len(value) > min(most)


def attempted(
    check: Callable[..., Any],
    arguments: tuple[Any, ...],
    given: Any,
    steps: Steps,
    faults: list[Fault],
) -> Any:
    """Return what a check makes of what came as ``given``; a rule it raises goes to ``faults``."""
    try:
        return check(*arguments)
    except ValueError as error:
        faults.append(Fault("value", steps, given, str(error)))
        return given


def _of_several(forms: Sequence[Any], value: Any, steps: Steps, faults: list[Fault]) -> Any:
    """Return a value in the first of several forms that it has."""
    if value is None and type(None) in forms:
        return None
    found: list[Fault] = []
    for form in forms:
        if form is type(None):
            continue
        of_this: list[Fault] = []
        result = checked(form, value, steps, of_this)
        if not of_this:
            return result
        found += of_this
    faults += found
    return value


def _named(names: Sequence[Any], value: Any, steps: Steps, faults: list[Fault]) -> Any:
    if any(value == each and type(value) is type(each) for each in names):
        return value
    known = ", ".join(map(repr, names))
    faults.append(Fault("form", steps, value, f"must be one of {known}"))
    return value


def _items(form: Any, value: Any, steps: Steps, faults: list[Fault]) -> Any:
    inside = get_args(form)
    if not isinstance(value, list | tuple):
        faults.append(Fault("form", steps, value, _no_list(inside[0], value, steps)))
        return value
    if get_origin(form) is list:
        return [checked(inside[0], each, (*steps, n), faults) for n, each in enumerate(value)]
    if len(value) != len(inside):
        faults.append(Fault("value", steps, value, f"must have {len(inside)} items"))
        return value
    rows = enumerate(zip(inside, value, strict=True))
    return tuple(checked(each, item, (*steps, n), faults) for n, (each, item) in rows)


def _no_list(inside: Any, value: Any, steps: Steps) -> str:
    if isinstance(value, dict) and hasattr(inside, "read"):
        name = f"[[{one_line(str(steps[-1]))}]]"
        return f"is a list of tables; each begins with {name}, in double brackets"
    return f"must be a list in [ ], not {kind(value)}"


def _entries(forms: Sequence[Any], value: Any, steps: Steps, faults: list[Fault]) -> Any:
    if not isinstance(value, dict):
        faults.append(Fault("value", steps, value, f"must be a table, not {kind(value)}"))
        return value
    made, (keys, values) = {}, forms
    for key, each in value.items():
        name = checked(keys, key, (*steps, key, KEY), faults)
        made[name] = checked(values, each, (*steps, key), faults)
    return made


_NO_NUMBER = "must be a number"
Simple = tuple[Any, str]
"""A value, and the rule that it breaks."""


def _whole(value: Any) -> Simple:
    right = isinstance(value, int) and not isinstance(value, bool)
    return value, "" if right else f"must be a whole number, not {kind(value)}"


def _decimal(value: Any) -> Simple:
    if not isinstance(value, int | float) or isinstance(value, bool):
        return value, f"{_NO_NUMBER}, not {kind(value)}"
    try:
        number = float(value)
    except OverflowError:
        return value, "must be a finite number"
    return number, "" if isfinite(number) else "must be a finite number"


def _text(value: Any) -> Simple:
    return value, "" if isinstance(value, str) else f"must be text in quotes, not {kind(value)}"


def _truth(value: Any) -> Simple:
    return value, "" if isinstance(value, bool) else f"must be true or false, not {kind(value)}"


_SIMPLE: dict[Any, Callable[[Any], Simple]] = {
    int: _whole,
    float: _decimal,
    str: _text,
    bool: _truth,
}
