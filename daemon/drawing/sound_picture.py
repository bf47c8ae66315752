"""The picture of a sound: its spectrum, its envelope, its waveform.

Units: hertz, dB, seconds, milliseconds. Everything but the spectrum is measured on the instrument
itself, playing one note; the spectrum is drawn from the sound's figures.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from daemon.drawing.canvas import INK, SOFT, Axis, Canvas, Colour, Panel
from daemon.drawing.performance_picture import FATES
from daemon.key_names import key_name
from voices.instrument import Instrument

KEY, VELOCITY = 60, 100
HELD_S, WHOLE_S = 1.5, 3.0
_RATE, _BLOCK = 48_000, 256
_LINE: Colour = FATES["released"]
_ACCENT: Colour = FATES["stolen"]
_LOWEST_DB = -72.0
_WAVE_AT_S = 0.5
_PERIODS = 3


def note(sounds: Mapping[str, Sound], name: str) -> NDArray[np.float32]:
    """Return one note of a sound, held `HELD_S`; shape ``(N,)``."""
    settings = Settings.model_validate({"sound": {"name": name}})
    instrument = Instrument(settings, sample_rate=_RATE, block_frames=_BLOCK, sounds=sounds)
    blocks = round(WHOLE_S * _RATE) // _BLOCK
    audio = np.empty((blocks * _BLOCK, 2), np.float32)
    instrument.take((0x90, KEY, VELOCITY))
    for block in range(blocks):
        if block == round(HELD_S * _RATE) // _BLOCK:
            instrument.take((0x80, KEY, 0))
        instrument.render(audio[block * _BLOCK : (block + 1) * _BLOCK])
    mixed: NDArray[np.float32] = audio.mean(axis=1)
    return mixed


def draw(sounds: Mapping[str, Sound], name: str) -> bytes:
    """Return the picture of a sound as a PNG file."""
    sound = sounds[name]
    audio = note(sounds, name)
    canvas = Canvas(1400, 900)
    canvas.text(96, 48, f"{sound.title}  ·  {name}", size=27, at="ls")
    canvas.text(96, 78, _shortened(canvas, sound.about, 1270), size=15, ink=SOFT, at="ls")
    _spectrum(canvas, sound)
    _envelope(canvas, audio)
    _waveform(canvas, audio)
    return canvas.png()


def _shortened(canvas: Canvas, words: str, room: float) -> str:
    while canvas.width_of(words) > room:
        words = words.rstrip(". ").rpartition(" ")[0] + " ..."
    return words


def _spectrum(canvas: Canvas, sound: Sound) -> None:
    hertz = 440.0 * 2 ** ((KEY - 69) / 12)
    frequencies = [ratio * hertz for ratio in sound.ratios]
    strongest = max(sound.levels)
    levels = [20 * np.log10(max(level / strongest, 1e-9)) for level in sound.levels]
    low, high = min(min(frequencies) * 0.8, 100), max(max(frequencies) * 1.25, 2000)
    steps = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)
    ticks = [tick for tick in steps if low <= tick <= high]
    labels = [f"{tick}" if tick < 1000 else f"{tick // 1000} k" for tick in ticks]
    box = (96, 130, 1370, 450)
    panel = Panel(
        canvas,
        box,
        Axis(low, high, ticks, labels, log=True),
        _decibels(),
        title=f"Spectrum of {key_name(KEY)}, {len(levels)} partials",
        unit="dB",
    )
    canvas.text(box[2], box[3] + 26, "frequency in Hz", size=13, ink=SOFT, at="ra")
    wide = 4 if len(levels) <= 32 else 2
    for frequency, level in zip(frequencies, levels, strict=True):
        x, y = panel.x(frequency), panel.y(level)
        if level > _LOWEST_DB:
            canvas.line([(x, box[3]), (x, y)], _LINE, wide / 2)
            canvas.dot(x, y, wide, _ACCENT)
    panel.frame()


def _envelope(canvas: Canvas, audio: NDArray[np.float32]) -> None:
    hop = _RATE // 200
    frames = len(audio) // hop
    parts = audio[: frames * hop].reshape(frames, hop).astype(np.float64)
    # Over two periods of C4 and more, else the level would show the waveform.
    power = np.convolve(np.mean(parts**2, axis=1), np.ones(4) / 4, "same")
    levels = 10 * np.log10(np.maximum(power / max(power.max(), 1e-18), 1e-18))
    ticks = [0.5 * n for n in range(int(2 * WHOLE_S) + 1)]
    box = (96, 530, 700, 830)
    panel = Panel(
        canvas,
        box,
        Axis(0.0, WHOLE_S, ticks, [f"{tick:g}" for tick in ticks]),
        _decibels(),
        title="Envelope, measured",
        unit="dB",
    )
    canvas.text(box[2], box[3] + 26, "seconds", size=13, ink=SOFT, at="ra")
    times = (np.arange(frames) + 0.5) * hop / _RATE
    points = [(panel.x(time), panel.y(level)) for time, level in zip(times, levels, strict=True)]
    canvas.area([(points[0][0], box[3]), *points, (points[-1][0], box[3])], (200, 222, 224))
    canvas.line(points, _LINE, 2)
    x = panel.x(HELD_S)
    canvas.line([(x, box[1]), (x, box[3])], _ACCENT, 1.5)
    canvas.text(x + 8, box[1] + 16, "key let go", size=13, ink=INK, at="lm")
    panel.frame()


def _waveform(canvas: Canvas, audio: NDArray[np.float32]) -> None:
    period = _RATE / (440.0 * 2 ** ((KEY - 69) / 12))
    start = round(_WAVE_AT_S * _RATE)
    wave = audio[start : start + round(_PERIODS * period)]
    peak = float(np.abs(wave).max()) or 1.0
    length_ms = len(wave) / _RATE * 1000
    ticks = [2.0 * n for n in range(int(length_ms / 2) + 1)]
    box = (790, 530, 1370, 830)
    panel = Panel(
        canvas,
        box,
        Axis(0.0, length_ms, ticks, [f"{tick:g}" for tick in ticks]),
        Axis(-1.1, 1.1, [-1, 0, 1], ["-1", "0", "1"]),
        title=f"Waveform after {_WAVE_AT_S:g} s, {_PERIODS} periods",
        unit="of peak",
    )
    canvas.text(box[2], box[3] + 26, "milliseconds", size=13, ink=SOFT, at="ra")
    times = np.arange(len(wave)) / _RATE * 1000
    canvas.line(
        [(panel.x(time), panel.y(value / peak)) for time, value in zip(times, wave, strict=True)],
        _LINE,
        2,
    )
    panel.frame()


def _decibels() -> Axis:
    ticks = [-60, -48, -36, -24, -12, 0]
    return Axis(_LOWEST_DB, 3.0, ticks, [f"{tick}" for tick in ticks])
