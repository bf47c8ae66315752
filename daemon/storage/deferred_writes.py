"""What is to be kept, written to the card only while nobody plays.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone; a write holds it up for as long as the memory card takes.

A pause is a few seconds without a note struck and with none sounding, tails included. What is
asked for twice before it comes is written once. A write that fails is told once, until one of the
same name succeeds: a card that can't be written to keeps nobody from playing.
"""

import logging
from collections.abc import Callable

log = logging.getLogger(__name__)

QUIET_US = 3_000_000
"""How long nothing sounds before anything is written."""

Write = Callable[[], None]
"""Writes small and atomic, as `config.files.write_atomic` does; raises OSError when it can't."""


class DeferredWrites:
    """Writes that wait for a pause.

    Parameters
    ----------
    quiet_us
        How long a pause lasts before it is one.
    """

    def __init__(self, quiet_us: int = QUIET_US) -> None:
        self._quiet_us = quiet_us
        self._waiting: dict[str, Write] = {}
        self._struck = 0
        self._quiet_since_us: int | None = None
        self._failed: set[str] = set()

    @property
    def waiting(self) -> list[str]:
        """What is still to be written, the oldest first."""
        return list(self._waiting)

    def ask(self, name: str, write: Write) -> None:
        """Have ``write`` called in the next pause, in place of an earlier one of that name.

        Parameters
        ----------
        name
            What is written, as the log would call it: "what was learned".
        write
            Takes its values when it is called, so that they are the latest.
        """
        self._waiting[name] = write

    def tick(self, struck: int, sounding: int, now_us: int) -> None:
        """Write what waits if this is a pause, one thing at a time.

        Parameters
        ----------
        struck
            Note-ons received so far.
        sounding
            Notes that sound now, tails included.
        """
        if struck != self._struck or sounding or self._quiet_since_us is None:
            self._struck, self._quiet_since_us = struck, now_us
        elif self._waiting and now_us - self._quiet_since_us >= self._quiet_us:
            self._write(next(iter(self._waiting)))

    def flush(self) -> None:
        """Write all that waits; once the player has gone."""
        for name in self.waiting:
            self._write(name)

    def _write(self, name: str) -> None:
        write = self._waiting.pop(name)
        try:
            write()
        except OSError as error:
            if name not in self._failed:
                why = error.strerror or str(error)
                log.warning("%s can't be kept: %s; playing on without", name, why)
            self._failed.add(name)
        else:
            self._failed.discard(name)
