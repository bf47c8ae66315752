"""A report for owners without a network: the status in words, for the card's boot partition.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

It is left in the runtime folder, which is memory; the system, which may, moves it to the partition.
That writes to the card, so it is done only in a pause of the music.
"""

import os
import platform
import sys
from collections.abc import Callable
from pathlib import Path

from daemon.storage.deferred_writes import DeferredWrites

NAME = "report.txt"
EVERY_US = 120_000_000
_LIBRARIES = ("mido", "python-rtmidi", "numpy", "sounddevice", "pydantic")


class Report:
    """Written when the settings ask for it, soon after the start and when it has changed.

    Parameters
    ----------
    runtime
        The folder of the control socket.
    pauses
        What knows when to write.
    compose
        Returns the report's lines.
    """

    def __init__(self, runtime: Path, pauses: DeferredWrites, compose: Callable[[], str]) -> None:
        self._path, self._pauses, self._compose = runtime / NAME, pauses, compose
        self._due_us = 0
        self._told: object = None

    def tick(self, state: object, now_us: int) -> None:
        """Ask for a pause when there is something new.

        Parameters
        ----------
        state
            What differs when the report would: not the mere passing of time.
        """
        if state != self._told and now_us >= self._due_us:
            self._told, self._due_us = state, now_us + EVERY_US
            self._pauses.request("the report", self._write)

    def _write(self) -> None:
        # Whole when it is seen: another name first.
        draft = self._path.with_suffix(".new")
        draft.write_text(versions() + "\n" + self._compose(), "utf-8")
        os.replace(draft, self._path)


def versions() -> str:
    """Return what is at work here, one line each."""
    lines = [f"partiald {_version('partiald')}"]
    lines.append(f"Python {platform.python_version()}, {platform.machine()}, {sys.platform}")
    lines += [f"{name} {_version(name)}" for name in _LIBRARIES]
    return "\n".join(lines) + "\n"


def _version(name: str) -> str:
    from importlib import metadata  # dear, and not asked for at a start

    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "(not installed as a package)"
