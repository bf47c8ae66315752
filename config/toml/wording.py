"""Rules that a value can break, values and counts, in plain words on one line."""

from collections.abc import Iterator, Sequence
from typing import Any, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from config.toml.printable import printable

_LONGEST = 40
_BROKEN_BOUND = {"greater_than_equal": "ge", "less_than_equal": "le"}


def rule(fault: ErrorDetails, field: FieldInfo | None) -> str:
    """Return the rule that was broken; if the field is known, with the whole range."""
    context = fault.get("ctx", {})
    got = kind(fault["input"])
    match fault["type"]:
        case "greater_than_equal" | "less_than_equal":
            return _range(_BROKEN_BOUND[fault["type"]], context, field)
        case "int_type" | "int_from_float" | "int_parsing_size":
            return f"must be a whole number, not {got}"
        case "float_type":
            return f"must be a number, not {got}"
        case "finite_number":
            return "must be a finite number"
        case "string_type":
            return f"must be text in quotes, not {got}"
        case "list_type" if (
            isinstance(fault["input"], dict) and field and any(_models_in(field.annotation))
        ):
            name = f"[[{one_line(str(fault['loc'][-1]))}]]"
            return f"is a list of tables; each begins with {name}, in double brackets"
        case "list_type":
            return f"must be a list in [ ], not {got}"
        case "dict_type" | "model_type" | "model_attributes_type":
            return f"must be a table, not {got}"
        case "literal_error":
            return f"must be one of {str(context['expected']).replace(' or ', ', ')}"
        case "string_too_short" | "too_short":
            return "may not be empty"
        case "string_too_long":
            return f"may have at most {context['max_length']} characters"
        case "too_long":
            return f"may have at most {context['max_length']} items"
        case "value_error":
            return str(fault["msg"]).removeprefix("Value error, ")
    return lower_first(one_line(fault["msg"]))


def walk(
    model: type[BaseModel], steps: Sequence[int | str]
) -> tuple[FieldInfo | None, type[BaseModel] | None]:
    """Return the field that a path in plain values leads to or into, and the model of its table."""
    field: FieldInfo | None = None
    here: type[BaseModel] | None = model
    for step in steps:
        if here is not None and isinstance(step, str):
            field, here = here.model_fields.get(step), None
        models = [] if field is None else list(_models_in(field.annotation))
        if not models:
            return field, None
        here = models[0]
    return field, here


def homes(model: type[BaseModel], key: str, above: str = "") -> Iterator[str]:
    """Yield the places in the file where a misplaced key belongs."""
    for name, field in model.model_fields.items():
        inside = next(_models_in(field.annotation), None)
        if inside is None and name == key:
            yield above or "above the first [table]"
        elif inside is not None:
            several = get_origin(field.annotation) is list
            yield from homes(inside, key, f"under [[{name}]]" if several else f"under [{name}]")


def dotted(steps: list[int | str]) -> str:
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


def _range(broken: str, context: dict[str, Any], field: FieldInfo | None) -> str:
    for low, high in _bounds(field):
        if low is not None and high is not None and context[broken] in (low, high):
            return f"must be {low:g} to {high:g}"
    bound = f"{context[broken]:g}"
    return f"must be {bound} or more" if broken == "ge" else f"must be {bound} or less"


def _bounds(node: Any) -> Iterator[tuple[float | None, float | None]]:
    """Yield the least and greatest value of a field, and of the items inside it."""
    metadata = getattr(node, "metadata", None) or ()
    yield (
        next((each.ge for each in metadata if hasattr(each, "ge")), None),
        next((each.le for each in metadata if hasattr(each, "le")), None),
    )
    inside = node.annotation if isinstance(node, FieldInfo) else node
    for part in get_args(inside):
        yield from _bounds(part)


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)
