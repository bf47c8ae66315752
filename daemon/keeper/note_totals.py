"""The note count over all players: what each one left behind, and what came while there was none.

Threads: the main loop's alone; counters and ring are read while a player may write.

Promise: once a player has ended, ``received`` is exactly the note-ons that entered the ring or
found no room in it, and one more for every further zone that a key played; what a player took and
never booked was cut with it.
"""

from collections.abc import Mapping
from typing import NamedTuple, Protocol

from daemon.ipc.counters import Snapshot
from voices.notes.note_count import ACCOUNTS

_TRIES = 1000


class Queue(Protocol):
    """The reading end of the ring, and its counters."""

    @property
    def waiting(self) -> int:
        """Messages put and not yet taken."""

    @property
    def notes(self) -> int:
        """Note-ons that got in."""

    @property
    def overflowed_notes(self) -> int:
        """Note-ons that found no room."""

    def get(self) -> tuple[int, int, bytes] | None:
        """Take the oldest message."""

    def take_lost_notes(self) -> int:
        """Return the note-ons lost since the last call."""


class NoteUnheard(NamedTuple):
    """A note-on that came while no player ran."""

    time_us: int
    controller: int
    message: bytes


class Counts(NamedTuple):
    """What players counted beside notes."""

    underflows: int = 0
    late: int = 0
    faults: int = 0
    sounding_peak: int = 0

    def plus(self, snapshot: Snapshot) -> "Counts":
        """Return these figures and a running player's together."""
        return Counts(
            self.underflows + snapshot.underflows,
            self.late + snapshot.late_events,
            self.faults + snapshot.faults,
            max(self.sounding_peak, snapshot.sounding_peak),
        )


class NoteTotals:
    """Accounts that survive their player.

    Parameters
    ----------
    ring
        Its consumer is here while no player runs.
    """

    def __init__(self, ring: Queue) -> None:
        self._ring = ring
        self._kept = dict.fromkeys(ACCOUNTS, 0)
        self._layered = 0
        self.counts = Counts()
        """Of the players that have ended."""

    def drain(self) -> list[NoteUnheard]:
        """Book the note-ons in the ring as *no sound card*, and return them.

        Only while no player takes from it.
        """
        unheard = []
        for _ in range(_TRIES * 10):
            record = self._ring.get()
            if record is None:
                break
            time_us, controller, message = record
            if message[0] & 0xF0 == 0x90 and len(message) > 2 and message[2] > 0:
                unheard.append(NoteUnheard(time_us, controller, message))
        self._kept["no sound card"] += len(unheard)
        self._kept["queue overflow"] += self._ring.take_lost_notes()
        return unheard

    def settle(self, last: Snapshot) -> tuple[int, list[NoteUnheard]]:
        """Keep the accounts of a player that has ended; return how many notes ended with it.

        And the notes that it left in the ring.
        """
        cut_before = self._kept["cut"]
        for account, count in last.accounts.items():
            self._kept["cut" if account == "sounding" else account] += count
        cut = self._kept["cut"] - cut_before - last.accounts["cut"]
        self._layered += last.layered
        self.counts = self.counts.plus(last)
        unheard = []
        for _ in range(_TRIES):
            unheard += self.drain()
            came = self._ring.notes + self._ring.overflowed_notes
            if self._ring.waiting == 0:
                break  # nothing came in between: the figures belong together
        unbooked = max(came + self._layered - sum(self._kept.values()), 0)
        self._kept["cut"] += unbooked
        return cut + unbooked, unheard

    def accounts(self, running: Snapshot | None = None) -> Mapping[str, int]:
        """Return every account, those of a running player included."""
        if running is None:
            return dict(self._kept)
        return {name: count + running.accounts[name] for name, count in self._kept.items()}
