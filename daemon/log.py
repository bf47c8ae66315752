"""The log: lines on stderr, with the priorities the journal reads.

Threads: `set_up` before the first line; logging itself from any thread but the audio's.

Promise: no timestamps of our own (the journal has its own), one line for each event, and the
``<N>`` prefix of sd-daemon(3) on every line, but only when stderr is the journal's.
"""

import logging
import os
import sys
from collections.abc import Mapping
from typing import TextIO

from config.toml.printable import printable

_PRIORITIES = (
    (logging.CRITICAL, 2),
    (logging.ERROR, 3),
    (logging.WARNING, 4),
    (logging.INFO, 6),
    (logging.DEBUG, 7),
)


class Lines(logging.Formatter):
    """Formats a record as ``module: message``; for the journal with ``<N>`` before every line."""

    def __init__(self, journal: bool) -> None:
        super().__init__()
        self._journal = journal

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802 logging's own name
        """Return the first line: `format` adds a traceback, if there is one."""
        # A device or a file may be named so that a terminal or the journal would obey it.
        return f"{record.name.rpartition('.')[2]}: {printable(record.message)}"

    def format(self, record: logging.LogRecord) -> str:
        """Return the record's lines."""
        text = super().format(record)
        if not self._journal:
            return text
        number = next((n for level, n in _PRIORITIES if record.levelno >= level), 7)
        return "\n".join(f"<{number}>{line}" for line in text.splitlines())


def reads_us(stream: TextIO, environment: Mapping[str, str] = os.environ) -> bool:
    """Return whether the journal reads a stream.

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
        Also debug lines, which are no change of state.
    stream, environment
        Where to write, and where to look up JOURNAL_STREAM; for tests.
    """
    stream = sys.stderr if stream is None else stream
    handler = logging.StreamHandler(stream)
    handler.setFormatter(Lines(reads_us(stream, environment)))
    root = logging.getLogger()
    for old in list(root.handlers):
        root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(logging.DEBUG if verbose else logging.INFO)
    # When the reader of stderr has gone, a line must not cost a traceback.
    logging.raiseExceptions = False
