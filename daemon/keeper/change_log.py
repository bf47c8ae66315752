"""What the log says when controllers and players come and go: one line for each change.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.
"""

import logging

from config.toml.wording import counted
from daemon.diagnosis.rate_limit import Repeats
from daemon.ipc.messages import LogLine
from daemon.keeper.supervisor import LOOK_US, PlayerEnded, PlayerReady
from daemon.midi.controllers import DeviceChange

log = logging.getLogger("daemon.keeper")

TICK_S = 0.25
"""How often controllers are looked for, and files."""
_LEVELS = logging.getLevelNamesMapping()


class ChangeLog:
    """Lines on what has changed; what does not change is not repeated."""

    def __init__(self) -> None:
        self._repeats = Repeats(log)
        self._lost_us: dict[int, int] = {}
        self._refusal = ""

    def line(self, line: LogLine, now_us: int, *, fresh: bool = False) -> None:
        """Log a line, or, unless it is ``fresh``, sum it when it was logged just now."""
        level = _LEVELS[line.level.upper()]
        if fresh:
            log.log(level, "%s", line.text)
        else:
            self._repeats.log(level, line.text, now_us)

    def tick(self, now_us: int) -> None:
        """Log the sums that are due."""
        self._repeats.tick(now_us)

    def flush(self, now_us: int) -> None:
        """Log all sums; before the end."""
        self._repeats.flush(now_us)

    def controller(self, change: DeviceChange, now_us: int) -> None:
        """Log that a controller came or went."""
        number = change.controller + 1
        if change.kind == "lost":
            held = f"; {counted(change.held, 'held note')} released" if change.held else ""
            log.warning("controller lost: '%s'%s; looking every %.2f s", change.name, held, TICK_S)
            self._lost_us[change.controller] = now_us
        elif change.kind == "refused":
            log.warning("controller refused: '%s': %s", change.name, change.reason)
        elif change.controller in self._lost_us:
            away_s = (now_us - self._lost_us.pop(change.controller)) / 1e6
            log.info(
                "controller reconnected: '%s' as controller %d, away %.1f s",
                *(change.name, number, away_s),
            )
        else:
            log.info("controller connected: '%s' as controller %d", change.name, number)

    def player_ready(self, ready: PlayerReady, what: str) -> None:
        """Log that a player sounds; ``what`` would, the first time."""
        self._refusal = ""
        if ready.silent_us is None:
            log.info("ready: %s", what)
        else:
            log.info("sounding again after %.1f s: %s", ready.silent_us / 1e6, ready.output)

    def player_ended(self, ended: PlayerEnded, now_us: int) -> None:
        """Log why a player is gone."""
        level = _LEVELS[ended.level.upper()]
        if ended.cause == "refused":
            # The same every second: logged when it changes.
            if ended.text != self._refusal:
                self._refusal = ended.text
                log.log(level, "%s; looking every %.1f s", ended.text, LOOK_US / 1e6)
            return
        notes = f"; {counted(ended.cut, 'note')} cut" if ended.cut else ""
        if level <= logging.INFO:
            log.info("%s%s", ended.text, notes)
        else:
            self._refusal = ""
            self._repeats.log(level, f"{ended.text}{notes}; looking for a sound card", now_us)
