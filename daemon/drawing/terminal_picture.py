"""The picture of a performance in a terminal.

Units: character cells; seconds. With colours a character shows two keys, one above the other, and
the spectrum is drawn, too; without them a letter says what became of a note.
"""

import numpy as np
from rich.color import Color
from rich.style import Style
from rich.text import Text

from daemon.drawing.palette import DARK_RAMP, LETTERS, MEAN, Colour, account_colour, shades
from daemon.drawing.performance_picture import LOUD_DB, QUIET_DB
from daemon.drawing.spectrogram import frequency_range, level_lines, spectrogram
from daemon.key_names import key_name
from daemon.offline.scene import Scene

_EIGHTHS = " ▁▂▃▄▅▆▇█"
_BLOCK = "█"
_LABEL = 6
_SPECTRUM_ROWS = 8
_LEVEL_ROWS = 3
_LEVEL_DB = 24.0
"""What the level strip shows, down from the loudest."""
_MOST_LINES = 40
"""More keys than these share a line without colours."""

Cell = Colour | None


def lines(scene: Scene, width: int = 79, *, colour: bool = True) -> list[Text]:
    """Return the picture line by line, no line wider than ``width``."""
    columns = max(width - _LABEL - 1, 20)
    step = max(scene.length_s, 1e-3) / columns
    drawn = [_marks(scene, columns, step)]
    if colour:
        drawn += _notes_in_colour(scene, columns, step) + _spectrum(scene, columns)
    else:
        drawn += _notes_in_letters(scene, columns, step)
    drawn += _level(scene, columns, colour)
    drawn.append(_times(columns, step))
    return drawn


def account_mark(account: str, *, colour: bool) -> Text:
    """Return the character that shows an account's notes in the picture."""
    if colour:
        return Text(_BLOCK, _style(account_colour(account)))
    return Text(LETTERS.get(account, _BLOCK))


def _label(text: str) -> Text:
    return Text(f"{text:>{_LABEL - 1}} ")


def _style(ink: Cell, ground: Cell = None) -> Style:
    return Style(
        color=Color.from_rgb(*ink) if ink else None,
        bgcolor=Color.from_rgb(*ground) if ground else None,
    )


def _marks(scene: Scene, columns: int, step: float) -> Text:
    """Return the line of what was done to the cable, each word beside its arrow."""
    row = [" "] * columns
    places = [min(int(mark.at_s / step), columns - 1) for mark in scene.marks]
    for at in places:
        row[at] = "▼"
    for at, mark in zip(places, scene.marks, strict=True):
        for first, words in ((at + 1, f" {mark.words}"), (at - len(mark.words) - 1, mark.words)):
            there = row[max(first, 0) : first + len(words) + 1]
            if first >= 0 and len(there) >= len(words) and not "".join(there).strip():
                row[first : first + len(words)] = words
                break
    return _label("").append("".join(row))


def _cells(scene: Scene, columns: int, step: float) -> dict[tuple[int, int], str]:
    """Return the account by key and column."""
    cells: dict[tuple[int, int], str] = {}
    for bar in scene.bars:
        first = int(bar.start_s / step)
        last = max(first, int(bar.end_s / step - 0.3))
        for column in range(first, min(last, columns - 1) + 1):
            cells[bar.key, column] = bar.account
    return cells


def _notes_in_colour(scene: Scene, columns: int, step: float) -> list[Text]:
    low, high = scene.keys
    cells = {
        place: account_colour(account) for place, account in _cells(scene, columns, step).items()
    }
    drawn = []
    for key in range(high, low - 1, -2):
        line = _label(_key_label(scene, key, 2))
        for column in range(columns):
            upper, lower = cells.get((key, column)), cells.get((key - 1, column))
            if upper is None and lower is None:
                line.append(" ")
            elif upper == lower:
                line.append(_BLOCK, _style(upper))
            elif upper is None:
                line.append("▄", _style(lower))
            else:
                line.append("▀", _style(upper, lower))
        drawn.append(line)
    return drawn


def _notes_in_letters(scene: Scene, columns: int, step: float) -> list[Text]:
    low, high = scene.keys
    keys = -(-(high - low + 1) // _MOST_LINES)
    shown: dict[tuple[int, int], str] = {}
    for (key, column), account in _cells(scene, columns, step).items():
        letter = LETTERS.get(account, _BLOCK)
        place = ((high - key) // keys, column)
        if shown.get(place, _BLOCK) == _BLOCK:  # of several keys the lost note shows
            shown[place] = letter
    return [
        _label(_key_label(scene, key, keys)).append(
            "".join(shown.get((row, column), " ") for column in range(columns))
        )
        for row, key in enumerate(range(high, low - 1, -keys))
    ]


def _key_label(scene: Scene, key: int, keys: int) -> str:
    """Return the name of the first of a line's keys that has one: C, F or G."""
    named = (each for each in range(key, key - keys, -1) if each % 12 in (0, 5, 7))
    return next((key_name(each) for each in named if each >= scene.keys[0]), "")


def _spectrum(scene: Scene, columns: int) -> list[Text]:
    low, high = frequency_range(scene.audio, scene.sample_rate)
    levels = spectrogram(
        scene.audio,
        scene.sample_rate,
        rows=2 * _SPECTRUM_ROWS,
        columns=columns,
        low_hz=low,
        high_hz=high,
    )
    ramp = shades(DARK_RAMP, np.clip((levels - QUIET_DB) / (LOUD_DB - QUIET_DB), 0.0, 1.0))
    colours = ramp.tolist()
    edges = np.geomspace(low, high, _SPECTRUM_ROWS + 1)
    names = {100: "100Hz", 1000: "1kHz", 10_000: "10kHz"}
    drawn = []
    for row in range(_SPECTRUM_ROWS - 1, -1, -1):
        inside = (name for hertz, name in names.items() if edges[row] <= hertz < edges[row + 1])
        line = _label(next(inside, ""))
        for column in range(columns):
            upper, lower = colours[2 * row + 1][column], colours[2 * row][column]
            line.append("▀", _style(tuple(upper), tuple(lower)))
        drawn.append(line)
    return drawn


def _level(scene: Scene, columns: int, colour: bool) -> list[Text]:
    """Return the strip of mean levels, as far down from the loudest as music moves."""
    _, means = level_lines(scene.audio, columns)
    top = 6.0 * np.ceil(max(means.max(), -90.0) / 6.0)
    heights = np.clip((means - top + _LEVEL_DB) / _LEVEL_DB, 0.0, 1.0) * 8 * _LEVEL_ROWS
    labels = [f"{top:.0f}dB", *[""] * (_LEVEL_ROWS - 2), f"{top - _LEVEL_DB:.0f}dB"]
    drawn = []
    for row, label in enumerate(labels):
        base = 8 * (_LEVEL_ROWS - 1 - row)
        strip = "".join(_EIGHTHS[int(np.clip(height - base, 0, 8))] for height in heights)
        drawn.append(_label(label).append(strip, _style(MEAN) if colour else Style()))
    return drawn


def _times(columns: int, step: float) -> Text:
    every = next(s for s in (1, 2, 5, 10, 20, 60, 300, 3600, 86_400) if s / step >= 6)
    row = [" "] * (columns + 1)
    for number in range(0, int(columns * step) + 1, every):
        words = f"{number}" if number else "0 s"
        at = int(number / step)
        if at + len(words) <= columns + 1:
            row[at : at + len(words)] = words
    return _label("").append("".join(row).rstrip())
