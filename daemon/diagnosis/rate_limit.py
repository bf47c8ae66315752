"""Log lines on what goes wrong again and again: few of them, with counts.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

Promise: nothing is dropped, it is counted; at most one line a minute for the same thing.
"""

import logging
from dataclasses import dataclass

from config.toml.wording import counted
from daemon.ipc.counters import Snapshot

log = logging.getLogger("daemon.player")  # whose counters it reports

_MINUTE_US = 60_000_000
_BURST_US = 1_000_000
_LONGEST_GAP_US = 16 * _MINUTE_US
_NAMES = {
    "underflows": ("underflow", "underflows"),
    "late": ("message too late for its frame", "messages too late for their frame"),
    "faults": ("block silenced by a fault", "blocks silenced by a fault"),
    "overflows": ("message lost in a full queue", "messages lost in a full queue"),
}


class Pace:
    """When there may be another line on something that goes on.

    The first waits for the burst to be over; then a minute passes between two, and twice as long
    each time while it does not stop, up to sixteen: a whole evening of it still fits one screen.
    """

    def __init__(self) -> None:
        self._line_us: int | None = None
        self._gap_us = _MINUTE_US

    def due(self, now_us: int, since_us: int) -> bool:
        """Return whether a line is due on what has been going on since then."""
        over = now_us - since_us >= _BURST_US
        return over and (self._line_us is None or now_us - self._line_us >= self._gap_us)

    def logged(self, now_us: int) -> None:
        """Take note of a line."""
        last, self._line_us = self._line_us, now_us
        lasting = last is not None and now_us - last < 2 * self._gap_us
        self._gap_us = min(2 * self._gap_us, _LONGEST_GAP_US) if lasting else _MINUTE_US


class MissedReport:
    """What was missed: underflows, late messages, silenced blocks, a full queue."""

    def __init__(self) -> None:
        self._seen = dict.fromkeys(_NAMES, 0)
        self._pending = dict.fromkeys(_NAMES, 0)
        self._since_us = 0
        self._pace = Pace()
        self._last: Snapshot | None = None

    def look(self, snapshot: Snapshot, overflows: int, now_us: int) -> None:
        """Take in the counters; write a line when one is due."""
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
            self._log(now_us)

    def flush(self, now_us: int) -> None:
        """Write what is left; before the end."""
        if any(self._pending.values()):
            self._log(now_us)

    def _log(self, now_us: int) -> None:
        counts = ", ".join(f"{n} {_NAMES[name][n > 1]}" for name, n in self._pending.items() if n)
        seconds = max(round((now_us - self._since_us) / 1e6), 1)
        details = ""
        last = self._last
        if last is not None and last.block_frames:
            details = (
                f" ({last.block_frames}-frame blocks, longest {last.max_us / 1000:.1f} ms"
                f" of {last.deadline_us / 1000:.1f} ms)"
            )
            if last.last_error:
                details += f"; latest fault: {last.last_error}"
        log.warning("%s in the last %d s%s", counts, seconds, details)
        self._pending = dict.fromkeys(_NAMES, 0)
        self._pace.logged(now_us)


class LoadShedReport:
    """What the governor leaves out: the first step at once, and what halves it again.

    Other steps are counted until a minute has passed.
    """

    def __init__(self) -> None:
        self._steps = self._most = self._pending = self._logged_most = 0
        self._logged_us: int | None = None

    def look(self, snapshot: Snapshot, now_us: int) -> None:
        """Take in the counters; write a line when one is due."""
        steps, most = snapshot.spare_steps, snapshot.most_partials
        # Fewer steps are a new player's.
        self._pending += steps - self._steps if steps >= self._steps else steps
        due = self._logged_us is None or now_us - self._logged_us >= _MINUTE_US
        if self._pending and most and (due or most <= self._logged_most // 2):
            log.warning(
                "a block took %d %% of its time: at most %d partials sound now, the quietest are"
                " left out (%s); fewer voices or longer blocks would keep them",
                *(snapshot.spare_percent, most, counted(self._pending, "step")),
            )
            self._logged_us, self._logged_most, self._pending = now_us, most, 0
        elif self._most and not most:
            log.info("enough time again: all partials sound")
            self._logged_us = None
        self._steps, self._most = steps, most


@dataclass
class _Line:
    """A line that was logged, and how often it has come again since."""

    level: int
    at_us: int
    count: int = 0
    gap_us: int = _MINUTE_US


class Repeats:
    """Lines that may come again and again: the first at once, the others counted."""

    def __init__(self, logger: logging.Logger) -> None:
        self._logger = logger
        self._lines: dict[str, _Line] = {}

    def log(self, level: int, text: str, now_us: int) -> None:
        """Log a line, or count it if it was logged a short while ago; a while grows each time."""
        line = self._lines.get(text)
        if line is None or (not line.count and now_us - line.at_us >= line.gap_us):
            self._lines[text] = _Line(level, now_us)
            self._logger.log(level, "%s", text)
        else:
            line.count += 1
        self.tick(now_us)

    def tick(self, now_us: int) -> None:
        """Log the counts that are due; forget what has not come again."""
        for text, line in list(self._lines.items()):
            waited_us = now_us - line.at_us
            if waited_us < line.gap_us:
                continue
            if not line.count:
                del self._lines[text]
                continue
            self._report(text, line, waited_us)
            line.at_us, line.count = now_us, 0
            line.gap_us = min(2 * line.gap_us, _LONGEST_GAP_US)

    def flush(self, now_us: int) -> None:
        """Log what has been counted; before the end."""
        for text, line in self._lines.items():
            if line.count:
                self._report(text, line, now_us - line.at_us)
        self._lines.clear()

    def _report(self, text: str, line: "_Line", waited_us: int) -> None:
        seconds = max(round(waited_us / 1e6), 1)
        times = counted(line.count, "time")
        self._logger.log(line.level, "%s (%s in the last %d s)", text, times, seconds)
