"""The picture of a recording and the sound found in it: their spectra, and what is left.

Units: hertz, dB below the recording's strongest partial, seconds.
"""

import numpy as np
from numpy.typing import NDArray

from config.toml.wording import counted
from daemon.drawing.canvas import TITLE, Axis, Canvas, Panel
from daemon.drawing.palette import ACCENT, LINE, SOFT, Colour
from daemon.drawing.performance_picture import frequency_axis, time_axis
from daemon.key_names import key_name
from voices.analysis.description import Description
from voices.analysis.peaks import window

WIDTH, HEIGHT = 1400, 1080
_LEFT, _RIGHT = 112, 1370
_SPECTRUM, _LEVEL = (176, 620), (730, 990)
_LOWEST_DB = -90.0
_LONGEST_S = 1.5
_HOP_S = 0.02
_TICKS = [-80, -60, -40, -20, 0]

Array = NDArray[np.float64]


def draw(note: Description, name: str) -> bytes:
    """Return the picture as a PNG file."""
    canvas = Canvas(WIDTH, HEIGHT)
    canvas.text(
        _LEFT, 62, f"{name}  ·  {key_name(note.key)}, {note.hz:.2f} Hz", size=TITLE, at="ls"
    )
    words = f"{counted(len(note.partials), 'partial')} leave {note.residual_db:.1f} dB"
    canvas.text(
        _LEFT, 102, f"upper lines: the recording; lower lines: what its {words}", ink=SOFT, at="ls"
    )
    _spectra(canvas, note)
    _levels(canvas, note)
    return canvas.png()


def _spectra(canvas: Canvas, note: Description) -> None:
    hertz, heard = _spectrum(note.heard, note.rate)
    _, rest = _spectrum(note.rest, note.rate)
    reference = heard.max()
    partials_hz = [each.ratio * note.hz for each in note.partials]
    low, high = max(20.0, 0.5 * min(partials_hz)), min(note.rate / 2, 3 * max(partials_hz))
    box = (_LEFT, _SPECTRUM[0], _RIGHT, _SPECTRUM[1])
    panel = Panel(
        canvas,
        box,
        frequency_axis(low, max(high, 8 * low)),
        _decibels(),
        title="Spectrum of its beginning",
        unit="dB",
    )
    canvas.text(_RIGHT, _SPECTRUM[1] + 38, "hertz", ink=SOFT, at="ra")
    for power, ink in ((heard, LINE), (rest, ACCENT)):
        _highest(canvas, panel, hertz, 10 * np.log10(power / reference + 1e-12), ink)
    panel.frame()


def _levels(canvas: Canvas, note: Description) -> None:
    hop = round(_HOP_S * note.rate)
    count = len(note.heard) // hop
    if not count:
        return
    panel = Panel(
        canvas,
        (_LEFT, _LEVEL[0], _RIGHT, _LEVEL[1]),
        time_axis(count * _HOP_S, most_ticks=8),
        _decibels(),
        title="Level",
        unit="dB",
    )
    canvas.text(_RIGHT, _LEVEL[1] + 38, "seconds", ink=SOFT, at="ra")
    times = (np.arange(count) + 0.5) * _HOP_S
    reference = 0.0
    for samples, ink in ((note.heard, LINE), (note.rest, ACCENT)):
        power = np.mean(samples[: count * hop].reshape(count, hop) ** 2, axis=1)
        reference = reference or float(power.max())
        levels = 10 * np.log10(power / reference + 1e-12)
        canvas.line(
            [(panel.x(t), panel.y(db)) for t, db in zip(times, levels, strict=True)], ink, 2
        )
    panel.frame()


def _spectrum(samples: Array, rate: int) -> tuple[Array, Array]:
    part = samples[: round(_LONGEST_S * rate)]
    power = np.abs(np.fft.rfft(part * window(len(part)))) ** 2
    hertz = np.asarray(np.fft.rfftfreq(len(part), 1 / rate), np.float64)
    return hertz, np.asarray(power, np.float64)


def _highest(canvas: Canvas, panel: Panel, hertz: Array, levels: Array, ink: Colour) -> None:
    """Draw a spectrum by the highest value of every column."""
    inside = (hertz > panel.across.low) & (hertz < panel.across.high)
    columns = np.array([round(panel.x(each)) for each in hertz[inside]])
    points = [
        (float(column), panel.y(float(levels[inside][columns == column].max())))
        for column in np.unique(columns)
    ]
    if len(points) > 1:
        canvas.line(points, ink, 2)


def _decibels() -> Axis:
    return Axis(_LOWEST_DB, 3.0, _TICKS, [f"{tick}" for tick in _TICKS])
