"""The sheet of all sounds: the spectrum of each on C4, small, side by side.

Units: hertz, dB.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from config.sound import Sound
from daemon.drawing.canvas import Axis, Canvas, Panel
from daemon.drawing.palette import ACCENT, LINE, SOFT
from daemon.drawing.shown_partials import partials_of

COLUMNS = 4
WIDTH, CELL_HEIGHT = 1400, 270
_MARGIN, _GAP, _HEAD = 24, 24, 40
_LOWEST_HZ, _HIGHEST_HZ, _LOWEST_DB = 120.0, 16_000.0, -60.0
_HERTZ = 261.6


def size(count: int) -> tuple[int, int]:
    """Return how wide and high the sheet of so many sounds is."""
    return WIDTH, 2 * _MARGIN + -(-count // COLUMNS) * CELL_HEIGHT


def draw_all(sounds: Mapping[str, Sound], names: Sequence[str]) -> bytes:
    """Return the sheet of the sounds named as a PNG file."""
    canvas = Canvas(*size(len(names)))
    width = (WIDTH - 2 * _MARGIN - (COLUMNS - 1) * _GAP) // COLUMNS
    for place, name in enumerate(names):
        left = _MARGIN + place % COLUMNS * (width + _GAP)
        top = _MARGIN + place // COLUMNS * CELL_HEIGHT
        _cell(canvas, left, top, width, sounds[name])
    return canvas.png()


def _cell(canvas: Canvas, left: int, top: int, width: int, sound: Sound) -> None:
    canvas.text(left, top + 24, sound.title, size=26, at="ls")
    canvas.text(left + width, top + 24, sound.family or "", ink=SOFT, at="rs")
    panel = Panel(
        canvas,
        (left, top + _HEAD, left + width, top + CELL_HEIGHT - 62),
        Axis(_LOWEST_HZ, _HIGHEST_HZ, [250, 1000, 4000], ["250", "1 k", "4 k Hz"], log=True),
        Axis(_LOWEST_DB, 3.0, [-40, -20], ["", ""]),
        title="",
    )
    partials = partials_of(sound)
    strongest = max(partial.level for partial in partials)
    for partial in partials:
        level = 20 * np.log10(max(partial.level / strongest, 1e-9))
        hertz = partial.ratio * _HERTZ
        if level > _LOWEST_DB and _LOWEST_HZ < hertz < _HIGHEST_HZ:
            x, y = panel.x(hertz), panel.y(level)
            canvas.line([(x, panel.box[3]), (x, y)], LINE, 2)
            canvas.dot(x, y, 2.5, ACCENT)
