"""What goes wrong again and again, told in few lines.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

Promise: nothing is dropped, it is summed; at most one line a minute for the same thing.
"""

import logging

from daemon.ipc.counters import Snapshot

log = logging.getLogger(__name__)

_MINUTE_US = 60_000_000
_BURST_US = 1_000_000
_RAREST_US = 16 * _MINUTE_US
_NAMES = {
    "underflows": ("underflow", "underflows"),
    "late": ("message too late for its frame", "messages too late for their frame"),
    "faults": ("block silenced by a fault", "blocks silenced by a fault"),
    "overflows": ("message lost in a full queue", "messages lost in a full queue"),
}


def counted(number: int, thing: str) -> str:
    """Return a number and what it counts: 1 note, 2 notes."""
    return f"{number:,} {thing}" if number == 1 else f"{number:,} {thing}s"


class Pace:
    """When there may be another line on what goes on and on.

    The first waits for the burst to be over; then a minute passes between two, and twice as long
    each time while it does not stop, up to sixteen: an evening of it is still read in one screen.
    """

    def __init__(self) -> None:
        self._line_us: int | None = None
        self._gap_us = _MINUTE_US

    def due(self, now_us: int, since_us: int) -> bool:
        """Return whether a line is due on what has been going on since then."""
        over = now_us - since_us >= _BURST_US
        return over and (self._line_us is None or now_us - self._line_us >= self._gap_us)

    def told(self, now_us: int) -> None:
        """Take note of a line."""
        last, self._line_us = self._line_us, now_us
        lasting = last is not None and now_us - last < 2 * self._gap_us
        self._gap_us = min(2 * self._gap_us, _RAREST_US) if lasting else _MINUTE_US


class Troubles:
    """Differences of the board's counters, logged."""

    def __init__(self) -> None:
        self._seen = dict.fromkeys(_NAMES, 0)
        self._pending = dict.fromkeys(_NAMES, 0)
        self._since_us = 0
        self._pace = Pace()
        self._last: Snapshot | None = None

    def look(self, snapshot: Snapshot, overflows: int, now_us: int) -> None:
        """Take the figures of now; write a line when one is due."""
        figures = {
            "underflows": snapshot.underflows,
            "late": snapshot.late_events,
            "faults": snapshot.faults,
            "overflows": overflows,
        }
        quiet = not any(self._pending.values())
        for name, value in figures.items():
            # A smaller value is a new player's.
            seen = self._seen[name] if value >= self._seen[name] else 0
            self._pending[name] += value - seen
            self._seen[name] = value
        if not any(self._pending.values()):
            return
        self._last = snapshot
        if quiet:
            self._since_us = now_us
        if self._pace.due(now_us, self._since_us):
            self._tell(now_us)

    def flush(self, now_us: int) -> None:
        """Write what is left; before the end."""
        if any(self._pending.values()):
            self._tell(now_us)

    def _tell(self, now_us: int) -> None:
        counts = ", ".join(f"{n} {_NAMES[name][n > 1]}" for name, n in self._pending.items() if n)
        seconds = max(round((now_us - self._since_us) / 1e6), 1)
        shape = ""
        last = self._last
        if last is not None and last.block_frames:
            shape = (
                f" ({last.block_frames}-frame blocks, longest {last.max_us / 1000:.1f} ms"
                f" of {last.deadline_us / 1000:.1f} ms)"
            )
            if last.last_error:
                shape += f"; latest fault: {last.last_error}"
        log.warning("%s in the last %d s%s", counts, seconds, shape)
        self._pending = dict.fromkeys(_NAMES, 0)
        self._pace.told(now_us)


class LoadShedReport:
    """What the governor leaves out: the first step at once, and what halves it again.

    Other steps are summed until a minute has passed.
    """

    def __init__(self) -> None:
        self._steps = self._most = self._pending = self._told_most = 0
        self._told_us: int | None = None

    def look(self, snapshot: Snapshot, now_us: int) -> None:
        """Take the figures of now; write a line when one is due."""
        steps, most = snapshot.spare_steps, snapshot.most_partials
        # Fewer steps are a new player's.
        self._pending += steps - self._steps if steps >= self._steps else steps
        due = self._told_us is None or now_us - self._told_us >= _MINUTE_US
        if self._pending and (due or 0 < most <= self._told_most // 2):
            log.warning(
                "a block took %d %% of its time: at most %d partials sound now, the quietest are"
                " left out (%s); fewer voices or longer blocks keep them",
                *(snapshot.spare_percent, most, counted(self._pending, "step")),
            )
            self._told_us, self._told_most, self._pending = now_us, most, 0
        elif self._most and not most:
            log.info("time enough again: all partials sound")
            self._told_us = None
        self._steps, self._most = steps, most


class Repeats:
    """Lines that may come again and again: the first at once, the others summed."""

    def __init__(self, logger: logging.Logger) -> None:
        self._log = logger
        self._told: dict[str, list[int]] = {}

    def tell(self, level: int, text: str, now_us: int) -> None:
        """Log a line, or count it when it was logged just now; just now lasts ever longer."""
        for each, (us, n, _) in list(self._told.items()):
            if not n and now_us - us >= _MINUTE_US:
                del self._told[each]
        if text not in self._told:
            self._told[text] = [now_us, 0, _MINUTE_US]
            self._log.log(level, "%s", text)
            return
        entry = self._told[text]
        entry[1] += 1
        if now_us - entry[0] >= entry[2]:
            seconds = (now_us - entry[0]) // 1_000_000
            self._log.log(level, "%s (%d times in the last %d s)", text, entry[1], seconds)
            self._told[text] = [now_us, 0, min(2 * entry[2], _RAREST_US)]
