"""The battery's charge over the hours, as a chart of a few lines of text.

Units: seconds since power-on; per cent of a full charge.
Shapes: at most 18 rows, 60 characters wide.
"""

from collections.abc import Mapping, Sequence
from typing import Any

_MOST_ROWS = 16
_WIDTH = 40
_STEPS_MIN = (5, 10, 15, 30, 60, 120, 240, 480, 960)
"""The rows are as far apart as the first of these that needs few enough of them."""


def battery_chart(points: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return a heading and a row for every so many minutes; nothing with fewer than two points.

    Parameters
    ----------
    points
        Each with ``since_power_on_s``, ``percent`` and ``charging``, in the order of time.
    """
    if len(points) < 2:
        return []
    first, last = points[0], points[-1]
    begin_s, end_s = first["since_power_on_s"], last["since_power_on_s"]
    step_s = 60 * next(
        (each for each in _STEPS_MIN if (end_s - begin_s) / (60 * each) <= _MOST_ROWS),
        _STEPS_MIN[-1],
    )
    moments = [begin_s]
    # Round times in between, and no two rows close together.
    at_s = (begin_s // step_s + 1) * step_s
    while at_s < end_s - step_s / 2 and len(moments) < _MOST_ROWS:
        moments += [at_s] * (at_s - begin_s >= step_s / 2)
        at_s += step_s
    heading = (
        f"battery, by hours since power-on: {first['percent']} % at {_hours(begin_s)}, "
        f"{last['percent']} % at {_hours(end_s)}"
    )
    return [heading, *(_row(points, at_s) for at_s in [*moments, end_s])]


def _row(points: Sequence[Mapping[str, Any]], at_s: float) -> str:
    before = [each for each in points if each["since_power_on_s"] <= at_s][-1]
    after = next((each for each in points if each["since_power_on_s"] > at_s), before)
    span_s = after["since_power_on_s"] - before["since_power_on_s"]
    share = (at_s - before["since_power_on_s"]) / span_s if span_s else 0.0
    percent = before["percent"] + share * (after["percent"] - before["percent"])
    bar = "#" * round(percent * _WIDTH / 100)
    charging = "  charging" if before["charging"] else ""
    return f"{_hours(at_s):>6}  {bar:<{_WIDTH}} {percent:3.0f} %{charging}"


def _hours(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours}:{minutes:02}"
