"""The log: lines on stderr, with the priorities the journal reads.

Threads: `set_up` before the first line; logging itself from any thread but the audio's.

Promise: no timestamps of our own (the journal has its own), one line an event, and the ``<N>``
prefix of sd-daemon(3) on every line, only when stderr is the journal's.
"""

import logging
import os
import sys
from collections.abc import Mapping
from typing import TextIO

_PRIORITIES = (
    (logging.CRITICAL, 2),
    (logging.ERROR, 3),
    (logging.WARNING, 4),
    (logging.INFO, 6),
    (logging.DEBUG, 7),
)


class Priorities(logging.Formatter):
    """Writes ``<N>`` before every line of a record."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the record's lines, each with its priority."""
        number = next((n for level, n in _PRIORITIES if record.levelno >= level), 7)
        return "\n".join(f"<{number}>{line}" for line in super().format(record).splitlines())


def reads_us(stream: TextIO, environment: Mapping[str, str] = os.environ) -> bool:
    """Return whether the journal is at the other end of a stream.

    JOURNAL_STREAM names the device and inode of the journal's own descriptor (systemd.exec(5));
    a child whose stderr was redirected inherits the variable, but not the inode.
    """
    try:
        there = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environment.get("JOURNAL_STREAM", "") == f"{there.st_dev}:{there.st_ino}"


def set_up(
    verbose: bool = False,
    stream: TextIO | None = None,
    environment: Mapping[str, str] = os.environ,
) -> None:
    """Send every logger's lines to stderr.

    Parameters
    ----------
    verbose
        Also the lines below a change of state.
    stream, environment
        Where to write, and where JOURNAL_STREAM stands; for tests.
    """
    stream = sys.stderr if stream is None else stream
    handler = logging.StreamHandler(stream)
    layout = "%(name)s: %(message)s"
    journal = reads_us(stream, environment)
    handler.setFormatter(Priorities(layout) if journal else logging.Formatter(layout))
    root = logging.getLogger()
    for old in list(root.handlers):
        root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(logging.DEBUG if verbose else logging.INFO)
    # A reader of stderr that has gone must not cost a traceback for every line.
    logging.raiseExceptions = False
