"""The board's health: temperature, clock, supply voltage and battery, from the kernel's files.

Units: degrees Celsius, MHz, per cent of a battery's charge; microseconds of the monotonic clock.
Threads: the main loop's alone; a reading takes well below a millisecond.

A missing, empty or unreadable file means "not known", never a fault: no board has them all.

Sources: the kernel's sysfs-class-thermal, sysfs-class-hwmon (``in*_lcrit_alarm``), cpu-freq and
sysfs-class-power pages; its drivers poll the supply every 2 s, and so do we. 80 °C
where the kernel names no limit: common practice, no source.
"""

import logging
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from daemon.linux.battery import BatteryCourse, Charge, charges
from daemon.linux.sysfs import content, matching

log = logging.getLogger(__name__)

READ_US = 2_000_000
_HOT_C = 80.0
_COOLER_C = 5.0
_SLOW = 0.9
_LOW_PERCENT = 15
_CHARGED_PERCENT = 20


class Reading(NamedTuple):
    """The values at one moment; None: not known."""

    temperature_c: float | None = None
    """Of the hottest zone."""
    limit_c: float = _HOT_C
    """Where the kernel begins to throttle the processor in that zone."""
    clock_mhz: int | None = None
    full_clock_mhz: int | None = None
    slowed: bool | None = None
    """Whether the processor is throttled, not merely idle."""
    undervoltage: bool | None = None
    charges: Sequence[Charge] = ()
    """Of the board's batteries."""

    @property
    def battery_percent(self) -> int | None:
        """Of the emptiest battery that is discharging."""
        return min((each.percent for each in self.charges if each.flow == "out"), default=None)


class BoardHealth:
    """The latest reading, and a warning for every change for the worse.

    Parameters
    ----------
    root
        Where sysfs is mounted.
    """

    def __init__(self, root: Path = Path("/sys")) -> None:
        self.reading = Reading()
        self.warnings: dict[str, str] = {}
        """The warnings in force, by kind: ``heat``, ``clock``, ``supply``, ``battery``."""
        self.course = BatteryCourse()
        self._root = root
        self._due_us = 0

    def tick(self, now_us: int) -> bool:
        """Read when it is time; log what has changed; return whether something got worse."""
        if now_us < self._due_us:
            return False
        self._due_us = now_us + READ_US
        self.reading = read(self._root)
        self.course.look(self.reading.charges, now_us)
        warnings = self._judge()
        fresh = [text for kind, text in warnings.items() if kind not in self.warnings]
        for text in fresh:
            log.warning("%s", text)
        for kind in self.warnings.keys() - warnings.keys():
            log.info("%s", _RECOVERED[kind])
        self.warnings = warnings
        return bool(fresh)

    def as_plain(self) -> dict[str, Any]:
        """Return the reading and the warnings as plain values, for the status."""
        now = self.reading
        return {
            "temperature_c": now.temperature_c,
            "clock_mhz": now.clock_mhz,
            "slowed": now.slowed,
            "undervoltage": now.undervoltage,
            "battery_percent": now.battery_percent,
            "battery_left_h": self.course.left_h(),
            "warnings": list(self.warnings.values()),
        }

    def _judge(self) -> dict[str, str]:
        now, found = self.reading, {}
        # A warning ends only when the value is clearly better: at the limit there is one, not many.
        hot_c = now.limit_c - _COOLER_C * ("heat" in self.warnings)
        if now.temperature_c is not None and now.temperature_c >= hot_c:
            found["heat"] = (
                f"the board is hot: {now.temperature_c:.0f} °C; from {now.limit_c:.0f} °C on it "
                "is throttled: keep it out of the sun, give it air, add a heat sink"
            )
        if now.slowed:
            clock = f": {now.clock_mhz:,} of {now.full_clock_mhz:,} MHz" if now.clock_mhz else ""
            found["clock"] = (
                f"the processor is throttled{clock}, because of heat or a weak supply: add a heat "
                "sink, use a shorter cable or a stronger supply"
            )
        if now.undervoltage:
            found["supply"] = (
                "the supply voltage is too low: use a shorter or thicker cable, a stronger supply, "
                "fewer devices on its USB ports"
            )
        low = _CHARGED_PERCENT if "battery" in self.warnings else _LOW_PERCENT
        if now.battery_percent is not None and now.battery_percent <= low:
            found["battery"] = f"the battery is at {now.battery_percent} %: charge or change it"
        return {kind: self.warnings.get(kind, text) for kind, text in found.items()}


_RECOVERED = {
    "heat": "board temperature OK",
    "clock": "processor at full speed again",
    "supply": "supply OK",
    "battery": "battery OK: charged or charging",
}


def read(root: Path = Path("/sys")) -> Reading:
    """Read everything now."""
    zones = [
        (milli / 1000, zone)
        for zone in matching(root, "class/thermal/thermal_zone*")
        if (milli := _number(zone / "temp")) is not None
    ]
    hottest, zone = max(zones, default=(None, root))
    clock, full, slowed = _clock(root)
    alarms = [
        alarm
        for monitor in matching(root, "class/hwmon/hwmon*")
        for file in matching(monitor, "in*_lcrit_alarm")
        if (alarm := _number(file)) is not None
    ]
    return Reading(
        temperature_c=hottest,
        limit_c=min(_passive_limits(zone), default=_HOT_C),
        clock_mhz=clock,
        full_clock_mhz=full,
        slowed=slowed,
        undervoltage=any(alarms) if alarms else None,
        charges=charges(root),
    )


def _passive_limits(zone: Path) -> Iterator[float]:
    """Yield the temperatures at which a zone's trip points begin to throttle the processor."""
    for kind in matching(zone, "trip_point_*_type"):
        milli = _number(zone / kind.name.replace("_type", "_temp"))
        # A trip point at or below zero is one that is switched off.
        if content(kind) == "passive" and milli is not None and milli > 0:
            yield milli / 1000


def _clock(root: Path) -> tuple[int | None, int | None, bool | None]:
    """Return the clock, the full clock, and whether the processor is throttled."""
    for policy in matching(root, "devices/system/cpu/cpufreq/policy*"):
        clock = _number(policy / "scaling_cur_freq")
        full = _number(policy / "cpuinfo_max_freq") or _number(policy / "scaling_max_freq")
        if clock is None or not full:
            continue
        allowed = _number(policy / "scaling_max_freq") or full
        # With any other governor a low clock only means idle.
        reached = clock if content(policy / "scaling_governor") == "performance" else allowed
        slowed = min(allowed, reached) < _SLOW * full
        return clock // 1000, full // 1000, slowed or _cooled(root)
    return None, None, _cooled(root) or None


def _cooled(root: Path) -> bool:
    """Return whether the kernel throttles a processor to cool it."""
    return any(
        "cpu" in content(device / "type").lower() and (_number(device / "cur_state") or 0) > 0
        for device in matching(root, "class/thermal/cooling_device*")
    )


def _number(path: Path) -> int | None:
    try:
        return int(content(path))
    except ValueError:
        return None
