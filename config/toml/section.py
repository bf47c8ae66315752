"""A section: what every table of a settings or sound file is made of."""

from collections.abc import Iterator
from typing import Any, get_args

from pydantic import BaseModel, ConfigDict
from pydantic.fields import FieldInfo


class Section(BaseModel):
    """A strict, frozen table of the settings file."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def limits(section: type[Section], key: str) -> tuple[float, float]:
    """Return the lowest and the highest number that a key takes, or each number of its list."""
    found = dict(_bounds(section.model_fields[key]))
    return float(found["ge"]), float(found["le"])


def _bounds(where: Any) -> Iterator[tuple[str, float]]:
    """Yield the bounds that a field or a type has, wherever in it they are."""
    for each in getattr(where, "metadata", ()) if isinstance(where, FieldInfo) else ():
        for name in ("ge", "le"):
            if (bound := getattr(each, name, None)) is not None:
                yield name, bound
    for each in (where.annotation,) if isinstance(where, FieldInfo) else get_args(where):
        yield from _bounds(each)
