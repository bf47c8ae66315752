"""The timeline: what went wrong, before the player, in it and after it, in the order of time.

Units: microseconds of the monotonic clock (``_us``).
Threads: `Timeline.add` may be called by any thread that logs; the rest by the main loop.

Promise: like things in one minute are one entry with a count; nothing is dropped but the oldest.
"""

import logging
from collections import deque
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field

REMEMBERED = 512
MERGE_US = 60_000_000
_SETTLED_US = 10_000_000
_OWN = ("daemon.diagnosis.rate_limit", "daemon.diagnosis.event_log")


@dataclass
class Entry:
    """Something that happened."""

    at_us: int
    what: str
    happened: str = ""
    remedy: str = ""
    count: int = 1
    last_us: int = 0
    weight: int = 0
    """Of several that are one entry, the heaviest one's remedy stands."""
    like: Hashable = field(default=None, compare=False)
    kept: bool = field(default=False, compare=False)
    """Whether it has been written to the card; then it grows no more."""

    def __str__(self) -> str:
        """Return it in one line."""
        more = ""
        if self.count > 1:
            seconds = max(round((self.last_us - self.at_us) / 1e6), 1)
            more = f" ({self.count:,} times in {seconds} s)"
        remedy = f"; {self.remedy}" if self.remedy else ""
        return f"{self.what}{' ' * bool(self.happened)}{self.happened}{more}{remedy}"


class Timeline:
    """The latest entries."""

    def __init__(self) -> None:
        self._entries: deque[Entry] = deque(maxlen=REMEMBERED)
        self._fresh: deque[Entry] = deque(maxlen=REMEMBERED)

    def add(self, entry: Entry) -> None:
        """Enter something; with the same ``like``, not None, it counts with an earlier one."""
        entry.last_us = entry.last_us or entry.at_us
        if entry.like is not None:
            for other in reversed(self._entries):
                if entry.at_us - other.at_us > MERGE_US:
                    break
                if other.like == entry.like and not other.kept:
                    other.count += entry.count
                    other.last_us = entry.last_us
                    if entry.weight >= other.weight:
                        other.remedy, other.weight = entry.remedy, entry.weight
                    return
        self._entries.append(entry)
        self._fresh.append(entry)

    def settled(self, now_us: int) -> bool:
        """Return whether there is anything to keep that does not grow any more."""
        return any(_is_settled(entry, now_us) for entry in self._fresh.copy())

    def entries(self) -> list[Entry]:
        """Return all that is remembered, in the order of time."""
        return sorted(self._entries.copy(), key=lambda entry: entry.at_us)

    def keep(self, now_us: int | None = None) -> list[Entry]:
        """Return what is to be kept and was not yet; ``now_us`` None: also what still grows."""
        taken = [
            entry
            for entry in self._fresh.copy()
            if not entry.kept and (now_us is None or _is_settled(entry, now_us))
        ]
        for entry in taken:
            entry.kept = True
        while self._fresh and self._fresh[0].kept:
            self._fresh.popleft()
        return sorted(taken, key=lambda entry: entry.at_us)


def _is_settled(entry: Entry, now_us: int) -> bool:
    return not entry.kept and (entry.like is None or now_us - entry.last_us >= _SETTLED_US)


class Warnings(logging.Handler):
    """Puts every warning of the log on the timeline, but for those that stand there already."""

    def __init__(self, timeline: Timeline, clock_us: Callable[[], int]) -> None:
        super().__init__(logging.WARNING)
        self._timeline, self._clock_us = timeline, clock_us

    def emit(self, record: logging.LogRecord) -> None:
        """Enter a line."""
        if record.name in _OWN:
            return
        text = record.getMessage()
        self._timeline.add(Entry(self._clock_us(), text, like=text))
