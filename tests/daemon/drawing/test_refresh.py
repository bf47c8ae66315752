"""Status that refreshes in place."""

import io
import re

import pytest

from daemon.drawing.refresh import follow
from daemon.errors import RunError


class Terminal(io.StringIO):
    """A stream that says it is a terminal, and what its screen shows then."""

    def isatty(self) -> bool:
        return True

    def screen(self) -> list[str]:
        """Play what was written as a terminal would (ECMA-48: CPL, EL, ED)."""
        lines, row = [""], 0
        for piece in re.findall(r"\x1b\[\d*[A-Z]|\n|[^\x1b\n]+", self.getvalue()):
            if piece == "\n":
                row += 1
                lines += [""] * (row + 1 - len(lines))
            elif piece.endswith("F") and piece.startswith("\x1b"):
                row -= int(piece[2:-1])
                assert row >= 0
            elif piece == "\x1b[J":
                lines[row:] = [""]
            elif piece == "\x1b[K":
                continue
            else:
                lines[row] = piece
        return lines[:-1]


def run(stream: io.StringIO, blocks: list[object], columns: int = 80, rows: int = 24) -> int:
    coming = iter(blocks)

    def text() -> str:
        block = next(coming)
        if isinstance(block, Exception):
            raise block
        return str(block)

    left = [1.0] * len(blocks)

    def wait(_: float) -> None:
        left.pop()
        if not left:
            raise KeyboardInterrupt

    return follow(text, stream, wait, lambda: (columns, rows))


def test_on_a_terminal_the_latest_stands_in_place_of_the_ones_before() -> None:
    stream = Terminal("kept\n")
    stream.seek(0, io.SEEK_END)
    assert run(stream, ["a\nb\nc\n", "d\ne\n", "f\ng\nh\n"]) == 0
    assert stream.screen() == ["kept", "f", "g", "h"]


def test_fewer_lines_leave_nothing_of_the_ones_before() -> None:
    stream = Terminal()
    run(stream, ["a\nb\nc\n", "d\n"])
    assert stream.screen() == ["d"]


def test_a_narrow_terminal_cuts_lines_so_that_none_wraps() -> None:
    stream = Terminal()
    run(stream, ["x" * 100 + "\n" + "short\n"] * 2, columns=20, rows=2)
    assert stream.screen() == ["x" * 19]


def test_elsewhere_each_time_is_a_block_of_its_own_without_control_characters() -> None:
    stream = io.StringIO()
    run(stream, ["a\nb\n", "c\n"])
    assert stream.getvalue() == "a\nb\n\nc\n"


def test_a_daemon_that_goes_is_reported_and_waited_for() -> None:
    stream = Terminal()
    run(stream, ["a\n", RunError("partiald is not running"), "b\n"])
    assert "partiald is not running" in stream.getvalue()
    assert stream.screen() == ["b"]


def test_without_a_daemon_from_the_start_it_fails_as_status_does() -> None:
    with pytest.raises(RunError):
        run(io.StringIO(), [RunError("partiald is not running")])
