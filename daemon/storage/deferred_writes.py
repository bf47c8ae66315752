"""Writes to the memory card that are deferred until nobody plays.

Units: seconds (``_s``), microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone; each write runs where it is started, one at a time.

A pause is a few seconds without a note-on and with nothing sounding, tails included. What is
requested twice before it comes is written once. A write that fails is reported once, until one of
the same name succeeds: a card that can't be written to is no reason to stop playing. A card that
takes long holds nobody up: it is not waited for but at the end, and not for ever. Who asks to be
told of a write tells of its fault as well.
"""

import logging
import time
from collections.abc import Callable
from queue import Empty, SimpleQueue
from threading import Thread

log = logging.getLogger(__name__)

PAUSE_US = 3_000_000
"""How long nothing must sound before anything is written."""
AT_MOST_S = 4.0
"""The longest wait at the end, below what the service manager waits for."""

Write = Callable[[], None]
"""Writes something small, atomically, as `config.toml.files.write_atomic` does; may raise OSError.
It shares nothing with the main loop."""
Compose = Callable[[], Write]
"""Fetches the values, so that they are the latest, and returns what writes them."""
Request = Callable[[str, Compose], None]
"""Requests a write, as `DeferredWrites.request` does."""
Done = Callable[[OSError | None], None]
"""Called on the main loop after a write: with None, or with why it failed."""


def in_thread(write: Write) -> None:
    """Start a write on a thread of its own; a card that hangs does not keep the process."""
    Thread(target=write, name="card writer", daemon=True).start()


class DeferredWrites:
    """Writes that wait for a pause.

    Parameters
    ----------
    start
        Starts a write; by default it is done at once.
    at_most_s
        How long `flush` waits.
    """

    def __init__(
        self,
        start: Callable[[Write], None] = lambda write: write(),
        at_most_s: float = AT_MOST_S,
    ) -> None:
        self._start, self._at_most_s = start, at_most_s
        self._pending: dict[str, tuple[Compose, Done | None]] = {}
        self._writing = ""
        self._told: Done | None = None
        self._done: SimpleQueue[OSError | None] = SimpleQueue()
        self._note_ons = 0
        self._hurried = False
        self._quiet_since_us: int | None = None
        self._failed: set[str] = set()

    @property
    def pending(self) -> list[str]:
        """What is still to be written, the oldest first."""
        return [self._writing] * bool(self._writing) + list(self._pending)

    def request(self, name: str, compose: Compose, done: Done | None = None) -> None:
        """Have something written in the next pause, instead of an earlier request of that name.

        Parameters
        ----------
        name
            What is written, as the log calls it: "what was learned".
        compose
            Is called in the pause.
        done
            Called with the outcome; without it, a failure is logged.
        """
        self._pending[name] = compose, done

    def tick(self, note_ons: int, sounding: int, now_us: int) -> None:
        """In a pause, begin one of the pending writes, if none is under way.

        Parameters
        ----------
        note_ons
            Note-ons received so far.
        sounding
            Notes that sound now, tails included.
        """
        if note_ons != self._note_ons or sounding or self._quiet_since_us is None:
            self._note_ons, self._quiet_since_us = note_ons, now_us
        is_free, is_pause = self._is_done(0.0), now_us - self._quiet_since_us >= PAUSE_US
        if is_free and self._pending and (is_pause or self._hurried):
            self._begin(next(iter(self._pending)))
            self._is_done(0.0)
        self._hurried = self._hurried and bool(self._pending)

    def hurry(self) -> None:
        """Have all that is pending written one by one, without waiting for a pause."""
        self._hurried = True

    def flush(self, at_most_s: float | None = None) -> None:
        """Do all pending writes; once the player has gone.

        ``at_most_s``: how long that may take, if there is less time than usual.
        """
        until_s = time.monotonic() + (self._at_most_s if at_most_s is None else at_most_s)
        while self._is_done(max(until_s - time.monotonic(), 0.0)) and self._pending:
            self._begin(next(iter(self._pending)))
        if self.pending:
            names = ", ".join(self.pending)
            log.warning("%s may be lost: the card did not take it in time", names)

    def _begin(self, name: str) -> None:
        self._writing, (compose, self._told) = name, self._pending.pop(name)
        write = compose()

        def and_report() -> None:
            fault = None
            try:
                write()
            except OSError as error:
                fault = error
            finally:
                self._done.put(fault)

        self._start(and_report)

    def _is_done(self, wait_s: float) -> bool:
        """Wait for the write that is under way; return whether none is."""
        if not self._writing:
            return True
        try:
            fault = self._done.get(timeout=wait_s) if wait_s else self._done.get_nowait()
        except Empty:
            return False
        name, self._writing = self._writing, ""
        if self._told is not None:
            self._told(fault)
        elif fault is None:
            self._failed.discard(name)
        elif name not in self._failed:
            self._failed.add(name)
            why = fault.strerror or str(fault)
            log.warning("%s can't be kept: %s; playing on without", name, why)
        return True
