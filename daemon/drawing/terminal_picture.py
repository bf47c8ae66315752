"""The picture of a performance in a terminal: two cells to a character, upper and lower half.

Units: character cells; seconds. Without colours the notes and the level are drawn all the same.
"""

import numpy as np
from numpy.typing import NDArray
from rich.color import Color
from rich.style import Style
from rich.text import Text

from daemon.drawing.canvas import Colour
from daemon.drawing.note_summary import TERMINAL_FATES
from daemon.drawing.performance_picture import HIGH_HZ, LOUD_DB, LOW_HZ, QUIET_DB
from daemon.drawing.spectrogram import level_lines, spectrogram
from daemon.key_names import key_name
from daemon.offline.scene import Scene

_OTHER: Colour = (150, 144, 148)
_NIGHT = ((22, 18, 28), (74, 30, 72), (158, 52, 76), (222, 112, 68), (250, 226, 160))
_EIGHTHS = " ▁▂▃▄▅▆▇█"
_LABEL = 6
_SPECTRUM_ROWS = 8
_LOWEST_DB = -48.0

Cell = Colour | None


def lines(scene: Scene, width: int = 79, *, colour: bool = True) -> list[Text]:
    """Return the picture line by line, no line wider than ``width``."""
    columns = max(width - _LABEL - 1, 20)
    step = max(scene.length_s, 1e-3) / columns
    drawn = [_marks(scene, columns, step)]
    drawn += _notes(scene, columns, step, colour)
    if colour:
        drawn += _spectrum(scene, columns)
    drawn += _level(scene, columns, colour)
    drawn.append(_times(columns, step))
    return drawn


def _labelled(label: str) -> Text:
    return Text(f"{label:>{_LABEL - 1}} ")


def _style(ink: Cell, ground: Cell = None) -> Style:
    return Style(
        color=Color.from_rgb(*ink) if ink else None,
        bgcolor=Color.from_rgb(*ground) if ground else None,
    )


def _halves(line: Text, upper: Cell, lower: Cell, colour: bool) -> None:
    """Append the character that shows one cell above another."""
    if upper is None and lower is None:
        line.append(" ")
    elif not colour:
        line.append("█" if upper and lower else "▀" if upper else "▄")
    elif upper == lower:
        line.append("█", _style(upper))
    elif upper is None:
        line.append("▄", _style(lower))
    else:
        line.append("▀", _style(upper, lower))


def _marks(scene: Scene, columns: int, step: float) -> Text:
    row = [" "] * columns
    for mark in scene.marks:
        at = min(int(mark.at_s / step), columns - 1)
        row[at] = "▼"
        behind = f" {mark.words}"
        before = f"{mark.words} "
        if at + len(behind) < columns and not "".join(row[at + 1 : at + 1 + len(behind)]).strip():
            if len(scene.marks) > 1 and _near(scene, mark.at_s, step, len(behind)):
                row[at - len(before) : at] = before
            else:
                row[at + 1 : at + 1 + len(behind)] = behind
    return _labelled("").append("".join(row[:columns]))


def _near(scene: Scene, at_s: float, step: float, room: int) -> bool:
    """Return whether another mark follows where the words would stand."""
    return any(at_s < other.at_s <= at_s + (room + 2) * step for other in scene.marks)


def _notes(scene: Scene, columns: int, step: float, colour: bool) -> list[Text]:
    low, high = scene.keys
    cells: dict[tuple[int, int], Colour] = {}
    for bar in scene.bars:
        first = int(bar.struck_s / step)
        last = max(first, int(bar.ended_s / step - 0.3))
        for column in range(first, min(last, columns - 1) + 1):
            cells[bar.key, column] = TERMINAL_FATES.get(bar.account, _OTHER)
    drawn = []
    for key in range(high, low - 1, -2):
        named = key if key % 12 in (0, 5, 7) else key - 1
        line = _labelled(key_name(named) if named % 12 in (0, 5, 7) and named >= low else "")
        for column in range(columns):
            _halves(line, cells.get((key, column)), cells.get((key - 1, column)), colour)
        drawn.append(line)
    return drawn


def _spectrum(scene: Scene, columns: int) -> list[Text]:
    rows = 2 * _SPECTRUM_ROWS
    levels = spectrogram(
        scene.audio,
        scene.sample_rate,
        rows=rows,
        columns=columns,
        low_hz=LOW_HZ,
        high_hz=HIGH_HZ,
    )
    shades = _night(np.clip((levels - QUIET_DB) / (LOUD_DB - QUIET_DB), 0.0, 1.0))
    edges = np.geomspace(LOW_HZ, HIGH_HZ, _SPECTRUM_ROWS + 1)
    drawn = []
    for row in range(_SPECTRUM_ROWS - 1, -1, -1):
        label = next(
            (
                name
                for hz, name in ((100, "100Hz"), (1000, "1kHz"), (10_000, "10kHz"))
                if edges[row] <= hz < edges[row + 1]
            ),
            "",
        )
        line = _labelled(label)
        for column in range(columns):
            upper, lower = shades[2 * row + 1, column], shades[2 * row, column]
            line.append("▀", _style(_colour(upper), _colour(lower)))
        drawn.append(line)
    return drawn


def _level(scene: Scene, columns: int, colour: bool) -> list[Text]:
    peaks, _ = level_lines(scene.audio, columns)
    heights = np.clip((peaks - _LOWEST_DB) / -_LOWEST_DB, 0.0, 1.0) * 16
    drawn = []
    for base, label in ((8, "0dB"), (0, f"{_LOWEST_DB:.0f}dB")):
        row = "".join(_EIGHTHS[int(np.clip(height - base, 0, 8))] for height in heights)
        style = _style(TERMINAL_FATES["released"]) if colour else Style()
        drawn.append(_labelled(label).append(row, style))
    return drawn


def _times(columns: int, step: float) -> Text:
    every = next(s for s in (1, 2, 5, 10, 20, 60, 300, 3600, 86_400) if s / step >= 6)
    row = [" "] * (columns + 1)
    for number in range(0, int(columns * step) + 1, every):
        words = f"{number}" if number else "0 s"
        at = int(number / step)
        if at + len(words) <= columns + 1:
            row[at : at + len(words)] = words
    return _labelled("").append("".join(row).rstrip())


def _night(part: NDArray[np.float64]) -> NDArray[np.uint8]:
    stops = np.linspace(0.0, 1.0, len(_NIGHT))
    channels = [np.interp(part, stops, [colour[i] for colour in _NIGHT]) for i in range(3)]
    return np.stack(channels, axis=-1).astype(np.uint8)


def _colour(shade: NDArray[np.uint8]) -> Colour:
    red, green, blue = (int(value) for value in shade)
    return red, green, blue
