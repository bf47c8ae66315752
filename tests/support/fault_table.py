"""The table of faults: what it says of the log is what the tests wait for."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

from tests.support.waiting import wait_until

PAGE = Path(__file__).parents[2] / "docs" / "faults.md"


@dataclass(frozen=True)
class Row:
    """One fault."""

    fault: str
    heard: str
    lines: list[str]
    """Log lines, or the telling part of them; an ellipsis stands for whatever."""
    again: str
    """How soon it plays again."""


@cache
def rows() -> dict[str, Row]:
    """Return the table by fault."""
    cells = [
        [cell.strip() for cell in line.strip("|").split(" | ")]
        for line in PAGE.read_text("utf-8").splitlines()
        if line.startswith("| ")
    ][1:]
    return {
        fault: Row(fault, heard, re.findall(r"`([^`]+)`", log), again)
        for fault, heard, log, again in cells
    }


def pattern(line: str) -> re.Pattern[str]:
    """Return what a quoted line looks like in a log."""
    return re.compile(r"[^\n]*".join(re.escape(part) for part in line.split("…")))


class FaultLog:
    """A log from now on, for what the table says of one fault.

    Parameters
    ----------
    fault
        As the table names it.
    log
        Returns the whole log.
    at
        Where to begin in it; None: at its present end.
    """

    def __init__(self, fault: str, log: Callable[[], str], at: int | None = None) -> None:
        self.row = rows()[fault]
        self._left = list(self.row.lines)
        self._log = log
        self._at = len(log()) if at is None else at

    def wait_for_all(self, timeout_s: float = 10.0) -> None:
        """Wait until every line of the row that is left has come, in their order."""
        while self._left:
            self.wait_for_next(timeout_s)

    def wait_for_next(self, timeout_s: float = 10.0) -> None:
        """Wait for the next line of the row."""
        line = self._left.pop(0)
        try:
            wait_until(partial(self._find, line), timeout_s)
        except AssertionError:
            here = self._log()[self._at :]
            raise AssertionError(f"{line!r} is not among:\n{here}") from None

    def _find(self, line: str) -> bool:
        found = pattern(line).search(self._log(), self._at)
        if found:
            self._at = found.end()
        return found is not None
