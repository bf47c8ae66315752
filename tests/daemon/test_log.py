import io
import logging
import os
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

import pytest

from daemon import log


@pytest.fixture(autouse=True)
def logging_is_put_back() -> Iterator[None]:
    root = logging.getLogger()
    before = root.handlers[:], root.level, logging.raiseExceptions
    yield
    root.handlers[:], logging.raiseExceptions = before[0], before[2]
    root.setLevel(before[1])


@pytest.fixture
def stream(tmp_path: Path) -> Iterator[TextIO]:
    with (tmp_path / "stderr").open("w+") as opened:
        yield opened


def written(stream: TextIO) -> list[str]:
    stream.seek(0)
    return stream.read().splitlines()


def journal_of(stream: TextIO) -> dict[str, str]:
    there = os.fstat(stream.fileno())
    return {"JOURNAL_STREAM": f"{there.st_dev}:{there.st_ino}"}


@pytest.mark.parametrize(
    ("level", "number"),
    # sd-daemon(3): err 3, warning 4, info 6, debug 7; crit 2.
    [("critical", 2), ("error", 3), ("warning", 4), ("info", 6), ("debug", 7)],
)
def test_the_journal_is_given_a_priority(stream: TextIO, level: str, number: int) -> None:
    log.set_up(True, stream, journal_of(stream))
    getattr(logging.getLogger("daemon.keeper.keeper"), level)("a string of %d pipes", 3)
    assert written(stream) == [f"<{number}>keeper: a string of 3 pipes"]


def test_a_strangers_name_is_one_printable_line_whatever_it_holds(stream: TextIO) -> None:
    log.set_up(False, stream, journal_of(stream))
    name = "Keys\x1b]0;owned\x07\x9b2J\u202e\n<0>kernel: panic"
    logging.getLogger("daemon.keeper.keeper").error("'%s' found", name)
    assert written(stream) == [
        r"<3>keeper: 'Keys\x1b]0;owned\x07\x9b2J\u202e\n<0>kernel: panic' found"
    ]


@pytest.mark.parametrize("journal", [None, "1:1", "nonsense"])
def test_nobody_else_is_given_priorities(stream: TextIO, journal: str | None) -> None:
    log.set_up(False, stream, {} if journal is None else {"JOURNAL_STREAM": journal})
    logging.getLogger("daemon.commands.run").warning("wind low")
    assert written(stream) == ["run: wind low"]


def test_debug_lines_are_written_only_when_asked_for(stream: TextIO) -> None:
    log.set_up(False, stream, {})
    logging.getLogger("daemon.commands.run").debug("unheard")
    log.set_up(True, stream, {})
    logging.getLogger("daemon.commands.run").debug("heard")
    assert written(stream) == ["run: heard"]


def test_a_stream_without_a_descriptor_is_not_the_journal() -> None:
    assert not log.reads_us(io.StringIO(), {"JOURNAL_STREAM": "1:1"})


def test_a_reader_that_has_gone_costs_no_traceback(capfd: pytest.CaptureFixture[str]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w", buffering=1, closefd=False) as stream:
        log.set_up(False, stream, {})
        logging.getLogger("daemon.commands.run").info("nobody reads this")
        with pytest.raises(BrokenPipeError):
            stream.flush()
        os.dup2(os.open(os.devnull, os.O_WRONLY), writing)
    os.close(writing)
    assert capfd.readouterr() == ("", "")
