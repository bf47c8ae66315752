"""Faults in a pipe, each on one line, and in a terminal, folded."""

import fcntl
import io
import os
import pty
import struct
import termios

import pytest

from daemon.fault_lines import tell_fault

LONG = (
    "partiald is not running; start it with 'partiald run', or see 'systemctl status partiald' "
    "if it is installed as a service"
)


def told(fault: str, columns: int, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the lines in which a terminal shows a fault."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    with open(theirs, "w", encoding="utf-8") as stream, monkeypatch.context() as patch:
        patch.setattr("sys.stderr", stream)
        tell_fault(fault)
        stream.flush()
        shown = os.read(ours, 10_000).decode()
    os.close(ours)
    return shown.split("\r\n")[:-1]


def test_a_pipe_gets_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stderr", pipe := io.StringIO())
    tell_fault(LONG)
    assert pipe.getvalue() == f"partiald: {LONG}\n"


@pytest.mark.parametrize("columns", [80, 60, 40])
def test_a_terminal_gets_it_folded_with_what_is_to_be_typed_whole(
    monkeypatch: pytest.MonkeyPatch, columns: int
) -> None:
    first, *more = told(LONG, columns, monkeypatch)
    assert max(map(len, [first, *more])) <= columns
    assert more
    assert all(line.startswith("    ") for line in more)
    assert " ".join([first, *map(str.lstrip, more)]) == f"partiald: {LONG}"
    for command in ("'partiald run'", "'systemctl status partiald'"):
        assert any(command in line for line in (first, *more))


def test_a_path_is_never_broken(monkeypatch: pytest.MonkeyPatch) -> None:
    path = "/home/market/" + "a-long-name-" * 8 + ".mid"
    assert told(f"{path}: no such file", 80, monkeypatch) == [
        *("partiald:", f"    {path}:", "    no such file"),
    ]


def test_a_terminal_that_does_not_say_how_wide_it_is_gets_one_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert told(LONG, 0, monkeypatch) == [f"partiald: {LONG}"]


def test_what_can_not_be_printed_is_escaped(monkeypatch: pytest.MonkeyPatch) -> None:
    assert told("no file 'a\x1b[2Jb\nc'", 80, monkeypatch) == ["partiald: no file 'a\\x1b[2Jb\\nc'"]
