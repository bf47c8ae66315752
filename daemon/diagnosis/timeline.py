"""The timeline: what went wrong, before the player, in it and after it, in the order of time.

Units: microseconds of the monotonic clock (``_us``).
Threads: `Timeline.add` may be called by any thread that logs; the rest by the main loop.

Promise: similar events within a minute are one entry that counts them and names the notes;
only the oldest entries are dropped.
"""

import logging
from collections import deque
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field

REMEMBERED = 512
MERGE_US = 60_000_000
_SETTLED_US = 10_000_000
_MOST_NAMES = 12  # with them an entry stays within a record of the event file
_OWN = ("daemon.player", "daemon.diagnosis.event_log")
"""The loggers of what is on the timeline anyway."""


@dataclass
class Entry:
    """Something that happened."""

    at_us: int
    what: str
    happened: str = ""
    advice: str = ""
    count: int = 1
    last_us: int = 0
    weight: int = 0
    """Of several that are one entry, the advice of the heaviest stands."""
    similar: Hashable = field(default=None, compare=False)
    """Entries of the same kind are one entry; None: this one stays alone."""
    name: str = ""
    """Which one it was, in short, if others of its kind are others: a key."""
    others: list[str] = field(default_factory=list)
    """The short names of those that were counted with it."""
    saved: bool = field(default=False, compare=False)
    """Whether it has been written to the card; then it no longer grows."""

    def __str__(self) -> str:
        """Return it in one line."""
        within = f"{max(round((self.last_us - self.at_us) / 1e6), 1)} s"
        others = list(dict.fromkeys(name for name in self.others if name != self.name))
        more = ""
        if others:
            named = others[:_MOST_NAMES]
            left = self.count - 1 - len(named)
            names = ", ".join(named) + (f" and {left:,} more" if left else "")
            more = f"; the same for {names}, within {within}"
        elif self.count > 1:
            more = f" ({self.count:,} times in {within})"
        advice = f"; {self.advice}" if self.advice else ""
        return f"{self.what}{' ' * bool(self.happened)}{self.happened}{more}{advice}"

    def add(self, other: "Entry") -> None:
        """Count another entry of the same kind with this one."""
        self.count += other.count
        self.last_us = other.last_us
        if other.name and len(self.others) < REMEMBERED:
            self.others.append(other.name)
        if other.weight >= self.weight:
            self.advice, self.weight = other.advice, other.weight

    def settled(self, now_us: int) -> bool:
        """Return whether it is not saved yet and no longer grows."""
        return not self.saved and (self.similar is None or now_us - self.last_us >= _SETTLED_US)


class Timeline:
    """The latest entries."""

    def __init__(self) -> None:
        self._entries: deque[Entry] = deque(maxlen=REMEMBERED)
        self._unsaved: deque[Entry] = deque(maxlen=REMEMBERED)

    def add(self, entry: Entry) -> None:
        """Enter something; it counts with an earlier entry of the same kind."""
        entry.last_us = entry.last_us or entry.at_us
        if entry.similar is not None:
            for other in reversed(self._entries):
                if entry.at_us - other.at_us > MERGE_US:
                    break
                if other.similar == entry.similar and not other.saved:
                    other.add(entry)
                    return
        self._entries.append(entry)
        self._unsaved.append(entry)

    def any_settled(self, now_us: int) -> bool:
        """Return whether there is anything to save that no longer grows."""
        return any(entry.settled(now_us) for entry in self._unsaved.copy())

    def entries(self) -> list[Entry]:
        """Return all that is remembered, in the order of time."""
        return sorted(self._entries.copy(), key=lambda entry: entry.at_us)

    def take_unsaved(self, now_us: int | None = None) -> list[Entry]:
        """Return what is to be saved now; ``now_us`` None: also what still grows."""
        taken = [
            entry
            for entry in self._unsaved.copy()
            if not entry.saved and (now_us is None or entry.settled(now_us))
        ]
        for entry in taken:
            entry.saved = True
        while self._unsaved and self._unsaved[0].saved:
            self._unsaved.popleft()
        return sorted(taken, key=lambda entry: entry.at_us)


class Warnings(logging.Handler):
    """Puts every warning of the log on the timeline, except those that stand there already."""

    def __init__(self, timeline: Timeline, clock_us: Callable[[], int]) -> None:
        super().__init__(logging.WARNING)
        self._timeline, self._clock_us = timeline, clock_us

    def emit(self, record: logging.LogRecord) -> None:
        """Enter a line."""
        if record.name in _OWN:
            return
        text = record.getMessage()
        self._timeline.add(Entry(self._clock_us(), text, similar=text))
