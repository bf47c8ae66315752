"""A field of a table: what it may hold, declared beside its name.

A form is a type as Python writes it, such as ``int``, ``list[float]``, ``Literal["a", "b"]``,
``float | None`` or a `Section`; or ``Annotated`` with what narrows one: `Field`, `Before`, `After`.

Promise: declaring costs next to nothing, for every start waits for it.
"""

import re
from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar

Method = TypeVar("Method", bound=Callable[..., Any])
REQUIRED: Any = object()
"""The default of a field that must be given."""


class Limits(NamedTuple):
    """A default, and how large a number or how long a text, a list or a table may be."""

    default: Any = REQUIRED
    ge: float | None = None
    le: float | None = None
    min_length: int | None = None
    max_length: int | None = None
    pattern: str = ""

    def broken(self, value: Any) -> str:
        """Return the rule that a value of the right form breaks; empty: none."""
        low, high = self.ge, self.le
        if (low is not None and value < low) or (high is not None and value > high):
            if low is None:
                return f"must be {high:g} or less"
            return f"must be {low:g} or more" if high is None else f"must be {low:g} to {high:g}"
        if self.max_length is not None and len(value) > self.max_length:
            what = "characters" if isinstance(value, str) else "items"
            return f"may have at most {self.max_length} {what}"
        if self.min_length is not None and len(value) < self.min_length:
            return "may not be empty"
        if self.pattern and not re.fullmatch(self.pattern, value):
            return f"must be like {self.pattern}"
        return ""


def Field(  # noqa: N802 a declaration, not a call
    default: Any = REQUIRED,
    *,
    ge: float | None = None,
    le: float | None = None,
    min_length: int | None = None,
    max_length: int | None = None,
    pattern: str = "",
) -> Any:
    """Declare a field's default and limits, or those of a form."""
    return Limits(default, ge, le, min_length, max_length, pattern)


class Before:
    """A check of a value as it comes; returns it, or raises a ValueError with the rule."""

    def __init__(self, check: Callable[[Any], Any], schema: dict[str, Any]) -> None:
        self.check = check
        self.schema = schema
        """The same for a JSON schema."""


class After(NamedTuple):
    """A check of a value that has its form; returns it, or raises a ValueError with the rule."""

    check: Callable[[Any], Any]


class FieldCheck(NamedTuple):
    """A method that checks fields: of the class, the value, and the fields before it."""

    names: tuple[str, ...]
    before: bool


def checks(*names: str, before: bool = False) -> Callable[[Method], Method]:
    """Have a class method return a field's value, as it comes or in its form, or raise."""

    def marked(method: Method) -> Method:
        method.__dict__["checks"] = FieldCheck(names, before)
        return method

    return marked


def checks_whole(method: Method) -> Method:
    """Have a method raise a ValueError that begins with the key it is about."""
    method.__dict__["checks"] = FieldCheck((), False)
    return method
