"""The chord that switches the board off: held for five seconds, a farewell, and then the power.

Units: MIDI keys; microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.
"""

import logging
from collections.abc import Collection
from pathlib import Path
from typing import Literal

log = logging.getLogger(__name__)

HOLD_US = 5_000_000
FAREWELL_US = 6_000_000
"""How long the farewell is given, whether it can be heard or not."""

Step = Literal["farewell", "power"]


class PowerOff:
    """Exactly the chord's keys, and no others, held together long enough."""

    def __init__(self) -> None:
        self.keys: frozenset[int] = frozenset()
        """Empty: no chord does anything."""
        self.begun = False
        """Whether the farewell has begun."""
        self._down_since_us: int | None = None
        self._held = False
        self._power_us: int | None = None

    def step(self, down: Collection[int], now_us: int) -> Step | None:
        """Return, once each time, that the farewell is due, and that the power is to go.

        Parameters
        ----------
        down
            The keys that are down now.
        """
        if not self.keys or frozenset(down) != self.keys:
            self._down_since_us, self._held = None, False
        elif self._down_since_us is None:
            self._down_since_us = now_us
        elif not self._held and now_us - self._down_since_us >= HOLD_US:
            self._held = self.begun = True
            self._power_us = now_us + FAREWELL_US
            return "farewell"
        if self._power_us is not None and now_us >= self._power_us:
            self._power_us = None
            return "power"
        return None


def ask_for_power_off(runtime: Path) -> None:
    """Leave a file that the system, which may, takes as the wish to be switched off."""
    try:
        (runtime / "poweroff").touch()
    except OSError as error:
        log.error("the board can't be switched off: %s: %s", runtime, error.strerror)
