"""A status LED of the board, where the kernel offers one.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

Source: the kernel's leds-class page (``brightness``, ``max_brightness``, ``trigger``).
"""

import logging
from pathlib import Path
from typing import Literal

from daemon.linux.sysfs import matching

log = logging.getLogger(__name__)

State = Literal["playing", "no controller", "no card", "farewell"]

STEP_US = 250_000
FLASHES: dict[State, str] = {
    "playing": "1",
    "no controller": "10000000",
    "no card": "10100000",
    "farewell": "1100",
}
"""On (1) and off (0), a quarter of a second each, repeated."""
_USUAL = ("act", "led0", "status", "user", "heartbeat")


class StatusLed:
    """One LED, taken from its trigger and returned to it at the end.

    Parameters
    ----------
    root
        The folder in which sysfs has the LEDs.
    """

    def __init__(self, root: Path = Path("/sys/class/leds")) -> None:
        self._root = root
        self._wanted: str | None = None
        self._led: Path | None = None
        self._trigger = ""
        self._full = "1"
        self._shown = ""

    def use(self, wanted: str) -> None:
        """Use the LED whose name has ``wanted`` in it; empty: a usual one; "none": none."""
        if wanted == self._wanted:
            return
        self.release()
        self._wanted, self._led, self._shown = wanted, self._find(wanted), ""
        if self._led is None:
            if wanted not in ("", "none"):
                log.warning("no LED has '%s' in its name; no light shows the state", wanted)
            return
        try:
            self._full = (self._led / "max_brightness").read_text().strip() or "1"
            triggers = (self._led / "trigger").read_text()
            self._trigger = triggers.partition("[")[2].partition("]")[0]
            (self._led / "trigger").write_text("none")
        except OSError as error:
            self._give_up(error)

    def show(self, state: State, now_us: int) -> None:
        """Show a state; to be called several times a second."""
        flashes = FLASHES[state]
        lit = flashes[now_us // STEP_US % len(flashes)] == "1"
        brightness = self._full if lit else "0"
        if self._led is None or brightness == self._shown:
            return
        self._shown = brightness
        try:
            (self._led / "brightness").write_text(brightness)
        except OSError as error:
            self._give_up(error)

    def release(self) -> None:
        """Return the LED to its trigger."""
        if self._led is not None and self._trigger:
            try:
                (self._led / "trigger").write_text(self._trigger)
            except OSError as error:
                self._give_up(error)
        self._led = None

    def _find(self, wanted: str) -> Path | None:
        leds = matching(self._root, "*/brightness")
        # The LEDs of keyboards are no board's.
        names = [led.parent for led in leds if "input" not in led.parent.name]
        for part in (wanted.lower(),) if wanted else _USUAL:
            for led in names:
                if part in led.name.lower():
                    return led
        return None

    def _give_up(self, error: OSError) -> None:
        name = self._led.name if self._led else ""
        log.info("the LED '%s' can't be used: %s", name, error.strerror)
        self._led = None
