"""Writes to the memory card that are deferred until nobody plays.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone; a write holds it up for as long as the card takes, and whoever
watches over the loop is told so.

A pause is a few seconds without a note-on and with nothing sounding, tails included. What is
requested twice before it comes is written once. A write that fails is reported once, until one of
the same name succeeds: a card that can't be written to is no reason to stop playing.
"""

import logging
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext

log = logging.getLogger(__name__)

PAUSE_US = 3_000_000
"""How long nothing must sound before anything is written."""

Write = Callable[[], None]
"""Writes something small, atomically, as `config.files.write_atomic` does; may raise OSError."""
Request = Callable[[str, Write], None]
"""Requests a write, as `DeferredWrites.request` does."""


class DeferredWrites:
    """Writes that wait for a pause.

    Parameters
    ----------
    pause_us
        How long nothing must sound.
    around
        Returns what is entered around each write: it may take long.
    """

    def __init__(
        self,
        pause_us: int = PAUSE_US,
        around: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self._pause_us, self._around = pause_us, around
        self._pending: dict[str, Write] = {}
        self._note_ons = 0
        self._quiet_since_us: int | None = None
        self._failed: set[str] = set()

    @property
    def pending(self) -> list[str]:
        """What is still to be written, the oldest first."""
        return list(self._pending)

    def request(self, name: str, write: Write) -> None:
        """Have ``write`` called in the next pause, instead of an earlier one of that name.

        Parameters
        ----------
        name
            What is written, as the log calls it: "what was learned".
        write
            Fetches its values when it is called, so that they are the latest.
        """
        self._pending[name] = write

    def tick(self, note_ons: int, sounding: int, now_us: int) -> None:
        """In a pause, do one of the pending writes.

        Parameters
        ----------
        note_ons
            Note-ons received so far.
        sounding
            Notes that sound now, tails included.
        """
        if note_ons != self._note_ons or sounding or self._quiet_since_us is None:
            self._note_ons, self._quiet_since_us = note_ons, now_us
        elif self._pending and now_us - self._quiet_since_us >= self._pause_us:
            self._write(next(iter(self._pending)))

    def flush(self) -> None:
        """Do all pending writes; once the player has gone."""
        for name in self.pending:
            self._write(name)

    def _write(self, name: str) -> None:
        write = self._pending.pop(name)
        try:
            with self._around():
                write()
        except OSError as error:
            if name not in self._failed:
                why = error.strerror or str(error)
                log.warning("%s can't be kept: %s; playing on without", name, why)
            self._failed.add(name)
        else:
            self._failed.discard(name)
