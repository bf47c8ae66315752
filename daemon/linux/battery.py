"""The batteries that the board runs from: what they say, and how their charge went.

Units: per cent of a full charge; hours (``_h``); microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

A value that is missing or out of range means "not known", never "empty". Batteries of mice and
controllers, which the kernel lists beside the board's own, are left out.

Sources: the kernel's ABI page sysfs-class-power (``type``, ``present``, ``status``, ``capacity``,
``online``); ``scope`` is only in its header linux/power_supply.h.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Literal, NamedTuple

from daemon.linux.sysfs import content, matching

_STEP_PERCENT = 4
"""How far the charge moves until that is remembered: 25 points from full to empty."""
_APART_US = 300_000_000
"""How far apart points are at least, however the battery's word jumps."""
_RECENT_US = 90 * 60_000_000
_LONG_ENOUGH_US = 10 * 60_000_000
_MOST_POINTS = 200


class Charge(NamedTuple):
    """One battery at one moment."""

    percent: int
    flow: Literal["in", "out", ""]
    """Whether it is charged (or full), discharged, or neither is known."""


def charges(root: Path) -> list[Charge]:
    """Return what each of the board's batteries says now."""
    return list(_charges(root))


def runs_down_to(percent: int, found: Sequence[Charge]) -> bool:
    """Return whether no battery is charged, and the fullest has no more than that left."""
    flows = {each.flow for each in found}
    return "out" in flows and "in" not in flows and max(each.percent for each in found) <= percent


class Point(NamedTuple):
    """The charge of the fullest battery at one moment."""

    at_us: int
    percent: int
    charging: bool


class BatteryCourse:
    """How the charge went since this daemon began, in few points."""

    def __init__(self) -> None:
        self.points: list[Point] = []
        self._unsaved: list[Point] = []
        self._now: Point | None = None

    @property
    def unsaved(self) -> bool:
        """Whether there are points that nobody has taken to the card."""
        return bool(self._unsaved)

    def take_unsaved(self) -> list[Point]:
        """Return them, once."""
        taken, self._unsaved = self._unsaved, []
        return taken

    def look(self, found: Sequence[Charge], now_us: int) -> None:
        """Remember the charge if it has moved far enough."""
        if not found:
            self._now = None
            return
        percent = max(each.percent for each in found)
        now = self._now = Point(now_us, percent, any(each.flow == "in" for each in found))
        if self.points:
            last = self.points[-1]
            moved = abs(percent - last.percent) >= _STEP_PERCENT or now.charging != last.charging
            if not moved or now_us - last.at_us < _APART_US:
                return
        self.points = [*self.points[1 - _MOST_POINTS :], now]
        self._unsaved = [*self._unsaved[1 - _MOST_POINTS :], now]

    def left_h(self) -> float | None:
        """Return in how many hours it is empty at the pace of late; None: that is not known yet."""
        now = self._now
        if now is None or now.charging:
            return None
        first = now
        for point in reversed(self.points):
            if point.charging or now.at_us - point.at_us > _RECENT_US:
                break
            first = point
        used, took_us = first.percent - now.percent, now.at_us - first.at_us
        if used < _STEP_PERCENT or took_us < _LONG_ENOUGH_US:
            return None
        return round(now.percent * took_us / used / 3.6e9, 1)


def _charges(root: Path) -> Iterator[Charge]:
    supplies = matching(root, "class/power_supply/*")
    outside = [
        content(supply / "online") != "0"
        for supply in supplies
        if content(supply / "type") in ("Mains", "USB", "Wireless")
    ]
    for supply in supplies:
        percent = content(supply / "capacity")
        if (
            content(supply / "type") != "Battery"
            or content(supply / "scope") == "Device"
            or content(supply / "present") == "0"
            or not (percent.isdecimal() and int(percent) <= 100)
        ):
            continue
        match content(supply / "status"):
            case "Discharging":
                yield Charge(int(percent), "out")
            case "Charging" | "Full":
                yield Charge(int(percent), "in")
            case "" | "Unknown" if outside and not any(outside):
                # A gauge that knows nothing of the charger; but there is one, and it is unplugged.
                yield Charge(int(percent), "out")
            case _:
                yield Charge(int(percent), "")
