"""What acceptance tests have measured: for each row of their table, sound by sound.

``pytest tests/standards --measured`` prints it at the end, run side by side or not.
"""

from collections.abc import Callable, Iterable, Mapping
from math import inf
from typing import Any

Measured = Callable[..., None]
"""See `checked`."""
Entry = tuple[str, str, float, float, float, float]
PROPERTY = "measured"


def checked(record: Callable[[str, object], None]) -> Measured:
    """Return a function that keeps what was measured by ``record``, and fails outside a range."""

    def measured(
        row: str, name: str, values: Mapping[Any, float], low: float = -inf, high: float = inf
    ) -> None:
        """Check all values of a sound, each under where it was measured, against a row's bound."""
        plain = {where: float(value) for where, value in values.items()}
        record(PROPERTY, [row, name, min(plain.values()), max(plain.values()), low, high])
        beyond = {at: round(each, 3) for at, each in plain.items() if not low <= each <= high}
        assert not beyond, f"{row}, {name}: {beyond} outside {low:g} to {high:g}"

    return measured


def table(entries: Iterable[Entry]) -> list[str]:
    """Return the lines of the table: rows with their bounds, and the range of every sound."""
    by_row: dict[str, list[str]] = {}
    for row, name, least, most, low, high in sorted(entries):
        bound = f"{row} ({_bound(low, high)})"
        told = f"{least:.3g}" if f"{least:.3g}" == f"{most:.3g}" else f"{least:.3g} to {most:.3g}"
        by_row.setdefault(bound, []).append(f"    {name:16s} {told}")
    return [line for row, sounds in by_row.items() for line in (row, *sounds)]


def _bound(low: float, high: float) -> str:
    if low == -inf:
        return f"at most {high:g}"
    return f"at least {low:g}" if high == inf else f"{low:g} to {high:g}"
