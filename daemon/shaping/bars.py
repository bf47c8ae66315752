"""The bars of the page as lines of text: level in dB over frequency, as in a sound's picture.

Units: columns and rows of a terminal; dB. Promise: every line is as wide as asked for, and what is
selected is told by signs, so that no colour is needed.
"""

from collections.abc import Sequence
from typing import NamedTuple

from config.targets import TARGETS
from daemon.shaping.sliders import Slider

LABEL = 5
"""Columns of the scale on the left."""
WIDEST = 12
LOWEST_DB, HIGHEST_DB = TARGETS["partial"].low, TARGETS["partial"].high
"""As far as a knob reaches; what is higher is drawn as high as that."""
_SPAN = HIGHEST_DB - LOWEST_DB
_TICKS = (0, -20, -40, -60)


class Bars(NamedTuple):
    """Which bars are seen, and how wide each is."""

    first: int
    many: int
    wide: int


def seen(total: int, selected: int, width: int) -> Bars:
    """Return the bars that fit beside each other around the selected one."""
    room = max(1, width - LABEL)
    wide = max(2, min(WIDEST, room // max(1, total)))
    count = min(total, max(1, room // wide))
    first = min(max(0, selected - count // 2), total - count)
    return Bars(first, count, wide)


def lines(
    sliders: Sequence[Slider], levels: Sequence[float], selected: int, width: int, height: int
) -> list[str]:
    """Return the bars, ``height`` rows above one with their names and one that points at one."""
    bars = seen(len(sliders), max(0, selected), width)
    shown = range(bars.first, bars.first + bars.many)
    ticks = {row_of(tick, height): f"{tick:>4} " for tick in _TICKS}
    rows = []
    for row in range(height):
        cells = []
        for place in shown:
            top = row_of(levels[place], height)
            full = "█" if place == selected else "▒"
            filled = row >= top and levels[place] > LOWEST_DB
            cells.append((full * (bars.wide - 1) if filled else "·" + " " * (bars.wide - 2)) + " ")
        rows.append((ticks.get(row, " " * LABEL) + "".join(cells))[:width].ljust(width))
    rows.append((" " * LABEL + _names(sliders, bars))[:width].ljust(width))
    point = "".join(
        ("^" * (bars.wide - 1) if n == selected else "").ljust(bars.wide) for n in shown
    )
    rows.append((" " * LABEL + point)[:width].ljust(width))
    return rows


def _names(sliders: Sequence[Slider], bars: Bars) -> str:
    """Return what stands below the bars: names as far as they fit; of partials, some numbers."""
    shown = range(bars.first, bars.first + bars.many)
    words = [sliders[n].name.removeprefix("partial ") for n in shown]
    if not all(each.isdigit() for each in words):
        return "".join(f"{each[: bars.wide - 1]:<{bars.wide}}" for each in words)
    every = -(-4 // bars.wide)
    return "".join(
        (each if (n + 1) % every == 0 or n == 0 else "").ljust(bars.wide)[: max(bars.wide, 4)]
        for n, each in zip(shown, words, strict=True)
    )


def row_of(level_db: float, height: int) -> int:
    """Return the topmost row that a level fills."""
    share = (min(HIGHEST_DB, max(LOWEST_DB, level_db)) - LOWEST_DB) / _SPAN
    return height - round(share * height)


def level_of(row: int, height: int) -> float:
    """Return the level whose bar reaches up to a row."""
    return round(LOWEST_DB + _SPAN * (height - row) / height, 1)


def place_of(column: int, total: int, selected: int, width: int) -> int | None:
    """Return which bar stands in a column; None: none does."""
    bars = seen(total, max(0, selected), width)
    place = (column - LABEL) // bars.wide
    return bars.first + place if column >= LABEL and place < bars.many else None
