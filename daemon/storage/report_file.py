"""A report for owners without a network: the status in words, for the card's boot partition.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

It is left in the runtime folder, which is memory; the system, which may, moves it to the partition.
That writes to the card, so it is done only in a pause of the music.
"""

import os
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

from daemon.storage.deferred_writes import DeferredWrites

NAME = "report.txt"
EVERY_US = 120_000_000
_LIBRARIES = ("mido", "python-rtmidi", "numpy", "sounddevice", "pydantic")


class Report:
    """Written soon after the start, and when it has changed.

    Parameters
    ----------
    runtime
        The folder of the control socket.
    writes
        Knows when to write.
    """

    def __init__(self, runtime: Path, writes: DeferredWrites) -> None:
        self._path, self._writes = runtime / NAME, writes
        self._due_us = 0
        self._state: object = None

    def tick(self, state: object, now_us: int, compose: Callable[[], str]) -> None:
        """Have the report written when there is something new.

        Parameters
        ----------
        state
            What differs when the report would: not the mere passing of time.
        compose
            Returns the report's lines.
        """
        if state != self._state and now_us >= self._due_us:
            self._state, self._due_us = state, now_us + EVERY_US
            self._writes.request("the report", lambda: partial(self._write, compose()))

    def _write(self, lines: str) -> None:
        # Whole when it is seen: another name first.
        draft = self._path.with_suffix(".new")
        draft.write_text(versions() + "\n" + lines, "utf-8")
        os.replace(draft, self._path)


def versions() -> str:
    """Return what is at work here, one line each."""
    import platform  # slow to import, and not asked for at a start

    lines = [f"partiald {_version('partiald')}"]
    lines.append(f"Python {platform.python_version()}, {platform.machine()}, {sys.platform}")
    lines += [f"{name} {_version(name)}" for name in _LIBRARIES]
    return "\n".join(lines) + "\n"


def _version(name: str) -> str:
    from importlib import metadata  # slow to import, and not asked for at a start

    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "(not installed as a package)"
