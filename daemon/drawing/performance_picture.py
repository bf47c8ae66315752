"""The picture of a performance: its notes, its spectrum over time, its level.

Promise: a pure drawing of a `Scene`; the same scene gives the same file.
"""

import numpy as np
from PIL import Image

from daemon.drawing import palette
from daemon.drawing.canvas import TITLE, Axis, Canvas, Panel
from daemon.drawing.palette import INK, SOFT, Colour, account_colour
from daemon.drawing.spectrogram import frequency_range, level_lines, spectrogram
from daemon.key_names import key_name
from daemon.offline.scene import Bar, Scene

QUIET_DB, LOUD_DB = -100.0, -24.0
WIDTH, HEIGHT = 1500, 1400
LEFT, RIGHT = 112, 1470
NOTES, PARTIALS, LEVEL = (210, 640), (736, 1066), (1162, 1322)
"""The top and bottom of each panel."""
_HERTZ = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)


def draw(scene: Scene) -> bytes:
    """Return the picture as a PNG file."""
    canvas = Canvas(WIDTH, HEIGHT)
    canvas.text(LEFT, 62, scene.title, size=TITLE, at="ls")
    across = time_axis(scene.length_s)
    _legend(canvas, scene)
    panels = [
        _notes(canvas, scene, across),
        _spectrum(canvas, scene, across),
        _level(canvas, scene, across),
    ]
    for panel in panels:
        for mark in scene.marks:
            x, (_, top, _, bottom) = panel.x(mark.at_s), panel.box
            canvas.line([(x, top), (x, bottom)], INK, 1.5)
        panel.frame()
    _mark_words(canvas, scene, panels[0])
    canvas.text(RIGHT, HEIGHT - 12, "seconds", ink=SOFT, at="rs")
    return canvas.png()


def time_axis(length: float, most_ticks: int = 14) -> Axis:
    """Return an axis from 0 whose ticks leave room for their labels."""
    steps = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60)
    step = next((s for s in steps if length / s <= most_ticks), 300)
    ticks = [step * n for n in range(int(length / step) + 1)]
    return Axis(0.0, max(length, step), ticks, [f"{tick:g}" for tick in ticks])


def frequency_axis(low_hz: float, high_hz: float) -> Axis:
    """Return a logarithmic axis."""
    ticks = [hertz for hertz in _HERTZ if low_hz <= hertz <= high_hz]
    labels = [f"{hertz}" if hertz < 1000 else f"{hertz // 1000} k" for hertz in ticks]
    return Axis(low_hz, high_hz, ticks, labels, log=True)


def account_words(scene: Scene) -> list[tuple[str, str]]:
    """Return every account that has notes, with how many and why."""
    found: dict[str, list[Bar]] = {}
    for bar in scene.bars:
        found.setdefault(bar.account, []).append(bar)
    described = []
    for name, those in found.items():
        details = {"by a newer note" if "by " in bar.detail else bar.detail for bar in those}
        why = f" ({details.pop()})" if len(details) == 1 and any(details) else ""
        described.append((name, f"{len(those)} {name}{why}"))
    return described


def _legend(canvas: Canvas, scene: Scene) -> None:
    entries: list[tuple[str, Colour, bool]] = [
        (words, account_colour(name), True) for name, words in account_words(scene)
    ]
    if any(bar.release_s > bar.end_s for bar in scene.bars):
        entries.append(("still held, without a voice", account_colour("stolen"), False))
    x, y = float(LEFT), 104
    for words, colour, filled in entries:
        wide = canvas.width_of(words) + 36
        if x + wide > RIGHT and x > LEFT:
            x, y = float(LEFT), y + 34
        swatch = (x, y - 9, x + 26, y + 9)
        canvas.box(swatch, fill=colour if filled else None, edge=colour, round_=3)
        canvas.text(x + 36, y, words, at="lm")
        x += wide + 30


def _notes(canvas: Canvas, scene: Scene, across: Axis) -> Panel:
    low, high = scene.keys
    named = [key for key in range(low, high + 1) if key % 12 in (0, 5, 7)]
    if high - low > 40:
        named = [key for key in named if key % 12 == 0]
    up = Axis(low - 0.5, high + 0.5, named, [key_name(key) for key in named])
    panel = Panel(canvas, (LEFT, NOTES[0], RIGHT, NOTES[1]), across, up, title="Notes", unit="key")
    for start, end in scene.absences:
        canvas.box((panel.x(start), NOTES[0], panel.x(end), NOTES[1]), fill=palette.ABSENCE)
    for bar in scene.bars:
        _bar(canvas, panel, bar)
    return panel


def _bar(canvas: Canvas, panel: Panel, bar: Bar) -> None:
    colour = account_colour(bar.account)
    half = 0.38 * (panel.box[3] - panel.box[1]) / (panel.up.high - panel.up.low)
    top, bottom = panel.y(bar.key) - half, panel.y(bar.key) + half
    left, end = panel.x(bar.start_s), panel.x(bar.end_s)
    if bar.release_s > bar.end_s:
        held = (left, top, panel.x(bar.release_s), bottom)
        canvas.box(held, fill=palette.PANEL, edge=colour, round_=3)
    canvas.box((left, top, max(end - 1, left + 2), bottom), fill=colour, round_=3)


def _spectrum(canvas: Canvas, scene: Scene, across: Axis) -> Panel:
    low, high = frequency_range(scene.audio, scene.sample_rate)
    box = (LEFT, PARTIALS[0], RIGHT, PARTIALS[1])
    panel = Panel(canvas, box, across, frequency_axis(low, high), title="Partials", unit="Hz")
    columns = int((RIGHT - LEFT) * scene.length_s / across.high)
    levels = spectrogram(
        scene.audio,
        scene.sample_rate,
        rows=PARTIALS[1] - PARTIALS[0],
        columns=max(columns, 1),
        low_hz=low,
        high_hz=high,
    )
    part = np.clip((levels[::-1] - QUIET_DB) / (LOUD_DB - QUIET_DB), 0.0, 1.0)
    picture = Image.fromarray(palette.shades(palette.LIGHT_RAMP, part))
    canvas.paste(picture, (box[0], box[1], panel.x(scene.length_s), box[3]))
    _ramp_key(canvas, box[1] - 24)
    return panel


def _ramp_key(canvas: Canvas, y: float) -> None:
    right = RIGHT - canvas.width_of(f"{LOUD_DB:g} dBFS") - 10
    left = right - 240
    shades = palette.shades(palette.LIGHT_RAMP, np.linspace(0.0, 1.0, 240)[np.newaxis, :])
    canvas.paste(Image.fromarray(shades), (left, y - 7, right, y + 7))
    canvas.box((left, y - 7, right, y + 7), edge=SOFT)
    canvas.text(left - 10, y, f"{QUIET_DB:g}", ink=SOFT, at="rm")
    canvas.text(right + 10, y, f"{LOUD_DB:g} dBFS", ink=SOFT, at="lm")


def _level(canvas: Canvas, scene: Scene, across: Axis) -> Panel:
    ticks = [-60, -40, -20, 0]
    up = Axis(-60.0, 0.0, ticks, [f"{tick}" for tick in ticks])
    box = (LEFT, LEVEL[0], RIGHT, LEVEL[1])
    panel = Panel(canvas, box, across, up, title="Level", unit="dBFS")
    columns = max(int((RIGHT - LEFT) / 2), 1)
    peaks, means = level_lines(scene.audio, columns)
    times = (np.arange(columns) + 0.5) / columns * scene.length_s
    for levels, colour in ((peaks, palette.PEAK), (means, palette.MEAN)):
        top = [(panel.x(time), panel.y(level)) for time, level in zip(times, levels, strict=True)]
        canvas.area([(panel.x(0), box[3]), *top, (top[-1][0], box[3])], colour)
    ceiling = panel.y(scene.ceiling_db)
    canvas.line([(box[0], ceiling), (box[2], ceiling)], palette.ACCENT, 2)
    x = float(RIGHT)
    for words, colour in (
        (f"ceiling {scene.ceiling_db:g} dBFS", palette.ACCENT),
        ("mean (RMS)", palette.MEAN),
        ("peak", palette.PEAK),
    ):
        x -= canvas.width_of(words)
        canvas.text(x, box[1] - 24, words, at="lm")
        canvas.box((x - 34, box[1] - 32, x - 10, box[1] - 16), fill=colour, round_=3)
        x -= 60
    return panel


def _mark_words(canvas: Canvas, scene: Scene, panel: Panel) -> None:
    """Write what was done to the cable above the notes, without overlaps."""
    right_of = float(RIGHT)
    starts: list[tuple[float, str, float]] = []
    for mark in reversed(scene.marks):
        words, x = f"cable {mark.words} {mark.at_s:.1f} s", panel.x(mark.at_s)
        start = max(min(x - 8, right_of - canvas.width_of(words) - 24), LEFT + 100)
        starts.append((start, words, x))
        right_of = start
    for start, words, x in starts:
        if start < x:
            canvas.line([(x, panel.box[1]), (x, panel.box[1] - 14)], INK, 1.5)
        canvas.text(start, panel.box[1] - 28, words, at="lm")
