"""What switches the board off: a chord held for five seconds, or a battery that has run down.

A farewell comes first, and then the power goes.

Units: MIDI keys; per cent of a full charge; microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.
"""

import logging
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Literal

from config.settings import Power
from daemon.linux.battery import Charge, runs_down_to

log = logging.getLogger(__name__)

HOLD_US = 5_000_000
FAREWELL_US = 6_000_000
"""How long the farewell is given, whether it can be heard or not."""

LOW_US = 60_000_000
"""How long the battery must say it is low, without a break: many guess by the voltage, which a
loud chord pulls down for a moment."""

Step = Literal["soon", "farewell", "power"]


class PowerOff:
    """Exactly the chord's keys, and no others, held together long enough; or a battery too low."""

    def __init__(self) -> None:
        self.settings = Power()
        """May change at any time."""
        self.begun = False
        """Whether the farewell has begun."""
        self._chord = _Lasting(HOLD_US)
        self._low = _Lasting(LOW_US)
        self._power_us: int | None = None

    def step(self, down: Collection[int], charges: Sequence[Charge], now_us: int) -> Step | None:
        """Return, once each time: it goes off soon; the farewell is due; the power is to go.

        Parameters
        ----------
        down
            The keys that are down now.
        charges
            What the batteries say.
        """
        chord, level = frozenset(self.settings.off_keys), self.settings.off_at_percent
        held = self._chord.step(bool(chord) and frozenset(down) == chord, now_us)
        low = self._low.step(bool(level) and runs_down_to(level, charges), now_us)
        if self._power_us is not None:
            if now_us < self._power_us:
                return None
            self._power_us = None
            return "power"
        if held == "over":
            log.warning("switching off: the chord for it was held for %.0f s", HOLD_US / 1e6)
        elif low == "over":
            log.warning("switching off: the battery has run down to %d %%", level)
        elif low == "begun":
            log.warning(
                "the battery is at %d %%: switching off in %.0f s, unless it is charged",
                *(max(each.percent for each in charges), LOW_US / 1e6),
            )
            return "soon"
        elif low == "broken":
            log.info("not switching off: the battery is charged, or says that it is not so low")
        if "over" not in (held, low):
            return None
        self.begun = True
        self._power_us = now_us + FAREWELL_US
        return "farewell"


class _Lasting:
    """A condition that counts once it has lasted long enough, once each time it lasts."""

    def __init__(self, needed_us: int) -> None:
        self._needed_us = needed_us
        self._since_us: int | None = None
        self._over = False

    def step(self, holds: bool, now_us: int) -> Literal["begun", "over", "broken", ""]:
        """Return what has changed."""
        if not holds:
            broken = self._since_us is not None and not self._over
            self._since_us, self._over = None, False
            return "broken" if broken else ""
        if self._since_us is None:
            self._since_us = now_us
            return "begun"
        if self._over or now_us - self._since_us < self._needed_us:
            return ""
        self._over = True
        return "over"


def ask_for_power_off(runtime: Path) -> None:
    """Leave a file that the system, which may, takes as the wish to be switched off."""
    try:
        (runtime / "poweroff").touch()
    except OSError as error:
        log.error("the board can't be switched off: %s: %s", runtime, error.strerror)
