"""The picture of a performance: its notes, its spectrum over time, its level.

Promise: a pure drawing of a `Scene`; the same scene gives the same file.
"""

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from daemon.drawing.canvas import INK, PANEL, SOFT, Axis, Canvas, Colour, Panel
from daemon.drawing.spectrogram import level_lines, spectrogram
from daemon.key_names import key_name
from daemon.offline.scene import Bar, Scene

# What became of a note, each with a colour that stays apart from the others in grey as well.
FATES: dict[str, Colour] = {
    "released": (38, 112, 128),
    "sounding": (38, 112, 128),
    "died away": (128, 168, 176),
    "stolen": (214, 84, 54),
    "retriggered": (226, 172, 58),
    "cut": (112, 52, 116),
}
OTHER: Colour = (150, 144, 148)
AWAY: Colour = (238, 230, 236)
_MARK: Colour = (112, 52, 116)
_RAMP = (
    (255, 254, 251),
    (248, 226, 178),
    (238, 168, 92),
    (202, 92, 66),
    (116, 42, 78),
    (34, 20, 44),
)
QUIET_DB, LOUD_DB = -100.0, -24.0
LOW_HZ, HIGH_HZ = 60.0, 16_000.0
_WIDTH, _HEIGHT, _LEFT, _RIGHT = 1500, 1130, 96, 1470


def draw(scene: Scene) -> bytes:
    """Return the picture as a PNG file."""
    canvas = Canvas(_WIDTH, _HEIGHT)
    canvas.text(_LEFT, 52, scene.title, size=27, at="ls")
    across = _time_axis(scene.length_s)
    _legend(canvas, scene)
    panels = [
        _notes(canvas, scene, across),
        _spectrum(canvas, scene, across),
        _level(canvas, scene, across),
    ]
    for panel in panels:
        for mark in scene.marks:
            x, (_, top, _, bottom) = panel.x(mark.at_s), panel.box
            canvas.line([(x, top), (x, bottom)], _MARK, 1.5)
        panel.frame()
    _mark_words(canvas, scene, panels[0])
    canvas.text(_RIGHT, _HEIGHT - 12, "time in seconds", size=13, ink=SOFT, at="rs")
    return canvas.png()


def ramp(part: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return the colours for parts from 0 (quiet, paper) to 1 (loud, ink)."""
    stops = np.linspace(0.0, 1.0, len(_RAMP))
    channels = [np.interp(part, stops, [colour[i] for colour in _RAMP]) for i in range(3)]
    return np.stack(channels, axis=-1).astype(np.uint8)


def fates(scene: Scene) -> list[tuple[str, str]]:
    """Return every account that has notes, with how many and why."""
    found: dict[str, list[Bar]] = {}
    for bar in scene.bars:
        found.setdefault(bar.account, []).append(bar)
    told = []
    for name, those in found.items():
        details = {"by a newer note" if "by " in bar.detail else bar.detail for bar in those}
        why = f" ({details.pop()})" if len(details) == 1 and any(details) else ""
        told.append((name, f"{len(those)} {name}{why}"))
    return told


def _time_axis(length_s: float) -> Axis:
    step = next((s for s in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60) if length_s / s <= 26), 300)
    ticks = [step * n for n in range(int(length_s / step) + 1)]
    return Axis(0.0, max(length_s, step), ticks, [f"{tick:g}" for tick in ticks])


def _legend(canvas: Canvas, scene: Scene) -> None:
    entries = [(words, FATES.get(name, OTHER)) for name, words in fates(scene)]
    x = float(_LEFT)
    canvas.text(x, 84, "what became of each note:", size=15, ink=SOFT, at="lm")
    x += canvas.width_of("what became of each note:") + 16
    for words, colour in entries:
        canvas.box((x, 77, x + 22, 91), fill=colour, round_=3)
        canvas.text(x + 29, 84, words, size=15, at="lm")
        x += canvas.width_of(words) + 54
    if any(bar.let_go_s > bar.ended_s for bar in scene.bars):
        canvas.box((x, 77, x + 22, 91), edge=FATES["stolen"], round_=3)
        canvas.text(x + 29, 84, "key or pedal still down, no voice left", size=15, at="lm")


def _notes(canvas: Canvas, scene: Scene, across: Axis) -> Panel:
    low, high = scene.keys
    named = [key for key in range(low, high + 1) if key % 12 in (0, 5, 7)]
    up = Axis(low - 0.5, high + 0.5, named, [key_name(key) for key in named])
    panel = Panel(canvas, (_LEFT, 150, _RIGHT, 520), across, up, title="Notes", unit="key")
    for start, end in scene.away:
        canvas.box((panel.x(start), 150, panel.x(end), 520), fill=AWAY)
    for bar in scene.bars:
        _bar(canvas, panel, bar)
    return panel


def _bar(canvas: Canvas, panel: Panel, bar: Bar) -> None:
    colour = FATES.get(bar.account, OTHER)
    half = 0.38 * (panel.box[3] - panel.box[1]) / (panel.up.high - panel.up.low)
    top, bottom = panel.y(bar.key) - half, panel.y(bar.key) + half
    left, end = panel.x(bar.struck_s), panel.x(bar.ended_s)
    if bar.let_go_s > bar.ended_s:
        canvas.box((left, top, panel.x(bar.let_go_s), bottom), fill=PANEL, edge=colour, round_=3)
    canvas.box((left, top, max(end - 1, left + 2), bottom), fill=colour, round_=3)


def _spectrum(canvas: Canvas, scene: Scene, across: Axis) -> Panel:
    ticks = [100, 200, 500, 1000, 2000, 5000, 10_000]
    labels = [f"{hz}" if hz < 1000 else f"{hz // 1000} k" for hz in ticks]
    up = Axis(LOW_HZ, HIGH_HZ, ticks, labels, log=True)
    box = (_LEFT, 586, _RIGHT, 886)
    panel = Panel(canvas, box, across, up, title="PartialGains", unit="Hz")
    columns = int((_RIGHT - _LEFT) * scene.length_s / across.high)
    levels = spectrogram(
        scene.audio,
        scene.sample_rate,
        rows=300,
        columns=max(columns, 1),
        low_hz=LOW_HZ,
        high_hz=HIGH_HZ,
    )
    part = np.clip((levels[::-1] - QUIET_DB) / (LOUD_DB - QUIET_DB), 0.0, 1.0)
    canvas.paste(Image.fromarray(ramp(part)), (box[0], box[1], panel.x(scene.length_s), box[3]))
    _ramp_key(canvas, box[1] - 20)
    return panel


def _ramp_key(canvas: Canvas, y: float) -> None:
    left, right = _RIGHT - 330, _RIGHT - 90
    shades = ramp(np.linspace(0.0, 1.0, 240)[np.newaxis, :])
    canvas.paste(Image.fromarray(shades), (left, y, right, y + 11))
    canvas.box((left, y, right, y + 11), edge=SOFT)
    canvas.text(left - 8, y + 5, f"{QUIET_DB:g}", size=13, ink=SOFT, at="rm")
    canvas.text(right + 8, y + 5, f"{LOUD_DB:g} dBFS", size=13, ink=SOFT, at="lm")


def _level(canvas: Canvas, scene: Scene, across: Axis) -> Panel:
    ticks = [-60, -48, -36, -24, -12, 0]
    up = Axis(-60.0, 0.0, ticks, [f"{tick}" for tick in ticks])
    box = (_LEFT, 952, _RIGHT, 1080)
    panel = Panel(canvas, box, across, up, title="Level", unit="dBFS")
    columns = max(int((_RIGHT - _LEFT) / 2), 1)
    peaks, means = level_lines(scene.audio, columns)
    times = (np.arange(columns) + 0.5) / columns * scene.length_s
    for levels, colour in ((peaks, (168, 204, 208)), (means, FATES["released"])):
        top = [(panel.x(time), panel.y(level)) for time, level in zip(times, levels, strict=True)]
        canvas.area([(panel.x(0), box[3]), *top, (top[-1][0], box[3])], colour)
    ceiling = panel.y(scene.ceiling_db)
    canvas.line([(box[0], ceiling), (box[2], ceiling)], FATES["stolen"], 1.5)
    x = float(_RIGHT)
    for words, colour in (
        (f"ceiling {scene.ceiling_db:g} dBFS", FATES["stolen"]),
        ("mean (RMS)", FATES["released"]),
        ("peak", (168, 204, 208)),
    ):
        x -= canvas.width_of(words, 13)
        canvas.text(x, box[1] - 15, words, size=13, at="lm")
        canvas.box((x - 24, box[1] - 20, x - 8, box[1] - 9), fill=colour, round_=3)
        x -= 44
    return panel


def _mark_words(canvas: Canvas, scene: Scene, panel: Panel) -> None:
    free_from = 0.0
    for mark in scene.marks:
        x = panel.x(mark.at_s)
        words = f"{mark.words} {mark.at_s:.1f} s"
        wide = canvas.width_of(words, 14)
        start = max(min(x - wide / 2, _RIGHT - wide), free_from, _LEFT + 60)
        canvas.line([(x, 150), (x, 132)], _MARK, 1.5)
        canvas.text(start, 122, words, size=14, ink=INK, at="lm")
        free_from = start + wide + 18
