"""The picture of a sound: its spectrum, its envelope, its waveform.

Units: hertz, dB, seconds, milliseconds. Everything but the spectrum is measured on the instrument
itself, playing one note; the spectrum is drawn from the sound's figures: a dash at each partial
leads to the side where it stands, and there is the noise of the onset.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from config.toml.wording import counted
from daemon.drawing.canvas import TITLE, Axis, Canvas, Panel
from daemon.drawing.palette import ACCENT, FILL, LINE, PEAK, SOFT, Colour
from daemon.drawing.performance_picture import frequency_axis, time_axis
from daemon.drawing.shown_partials import noise_of, partials_of
from daemon.key_names import key_name
from voices.instrument import Instrument

KEY, VELOCITY = 60, 100
HELD_S = 1.5
"""How long the key is held, where the sound would go on."""
LONGEST_S = 20.0
"""No more is shown of a sound."""
WIDTH, HEIGHT = 1400, 1080
LEFT, RIGHT = 112, 1370
SPECTRUM, BELOW = (176, 540), (660, 990)
"""The top and bottom of the upper panel and of the two lower ones."""
_MIDDLE = (690, 850)
_RATE, _BLOCK = 48_000, 256
RELEASED_WIDE = 220.0
"""Pixels that the words beside the release take."""
_HERTZ = 440.0 * 2 ** ((KEY - 69) / 12)
_LOWEST_DB = -72.0
_LAST_S = 2.0
"""So much of a held note tells whether it dies away."""
_WAVE_AT_S = 0.5
_WAVE_RATE = 192_000
"""High, so that a line through the samples is the waveform."""
_MANY_PARTIALS = 32
_ASIDE = 24.0
"""Pixels from a partial to the end of its dash, where it stands at a side."""


def note(
    sounds: Mapping[str, Sound], name: str, seconds: float, held_s: float, rate: int = _RATE
) -> NDArray[np.float32]:
    """Return one note of a sound, released after ``held_s``; shape ``(N,)``."""
    settings = Settings.model_validate({"sound": {"name": name}})
    instrument = Instrument(settings, sample_rate=rate, block_frames=_BLOCK, sounds=sounds)
    blocks = -(-round(seconds * rate) // _BLOCK)
    audio = np.empty((blocks * _BLOCK, 2), np.float32)
    instrument.take((0x90, KEY, VELOCITY))
    for block in range(blocks):
        if block == round(held_s * rate) // _BLOCK:
            instrument.take((0x80, KEY, 0))
        instrument.render(audio[block * _BLOCK : (block + 1) * _BLOCK])
    mixed: NDArray[np.float32] = audio.mean(axis=1)
    return mixed


def draw(sounds: Mapping[str, Sound], name: str) -> bytes:
    """Return the picture of a sound as a PNG file."""
    sound = sounds[name]
    released = note(sounds, name, LONGEST_S, HELD_S)
    held = note(sounds, name, LONGEST_S, LONGEST_S + 1)
    fades = dies_away(held)
    length_s = max(2.0, heard_s(released), heard_s(held) if fades else 0.0)
    released, held = (audio[: round(length_s * _RATE)] for audio in (released, held))
    canvas = Canvas(WIDTH, HEIGHT)
    canvas.text(LEFT, 62, f"{sound.title}  ·  {name}", size=TITLE, at="ls")
    canvas.text(LEFT, 102, _shortened(canvas, sound.about, RIGHT - LEFT), ink=SOFT, at="ls")
    _spectrum(canvas, sound)
    _envelope(canvas, released, held if fades else None)
    periods = 1 if len(partials_of(sound, KEY)) > _MANY_PARTIALS else 3
    _waveform(canvas, note(sounds, name, _WAVE_AT_S + 0.1, 1.0, _WAVE_RATE), periods)
    return canvas.png()


def dies_away(audio: NDArray[np.float32]) -> bool:
    """Return whether a held note decays; a beating one is only quiet for a moment."""
    power = _power(audio)
    return bool(power[-round(_LAST_S * 200) :].mean() < 0.1 * power.max())


def heard_s(audio: NDArray[np.float32]) -> float:
    """Return when a note falls below the bottom of the picture for good."""
    power = _power(audio)
    heard = np.flatnonzero(power > power.max() * 10 ** (_LOWEST_DB / 10))
    return float(heard[-1] + 1) / 200 if len(heard) else 0.0


def _shortened(canvas: Canvas, words: str, room: float) -> str:
    while canvas.width_of(words) > room:
        words = words.rstrip(". ").rpartition(" ")[0] + " ..."
    return words


def _spectrum(canvas: Canvas, sound: Sound) -> None:
    partials = partials_of(sound, KEY)
    frequencies = [partial.ratio * _HERTZ for partial in partials]
    strongest = max(partial.level for partial in partials)
    levels = [20 * np.log10(max(partial.level / strongest, 1e-9)) for partial in partials]
    low = 0.7 * min(frequencies)
    noise = [] if sound.onset_noise is None else noise_of(sound, sound.onset_noise, KEY)
    places = [partial.pan for partial in partials]
    highest = max(frequencies + [ratio * _HERTZ for ratio, _ in noise])
    panel = Panel(
        canvas,
        (LEFT, SPECTRUM[0], RIGHT, SPECTRUM[1]),
        frequency_axis(low, max(1.25 * highest, 8 * low)),
        _decibels(),
        title=f"Spectrum of {key_name(KEY)}, {counted(len(levels), 'partial')}",
        unit="dB",
    )
    canvas.text(RIGHT, SPECTRUM[1] + 38, "hertz", ink=SOFT, at="ra")
    marks = "dashes: how far to the left or right" if any(places) else ""
    marks += ("; " if marks and noise else "") + ("grey: the noise of the onset" if noise else "")
    canvas.text(RIGHT, SPECTRUM[0] - 16, marks, ink=SOFT, at="rs")
    size = 5 if len(levels) <= _MANY_PARTIALS else 3
    for ratio, level in noise:
        y = panel.y(20 * np.log10(max(level / strongest, 1e-9)))
        if y < SPECTRUM[1]:
            canvas.dot(panel.x(ratio * _HERTZ), y, 3, PEAK)
    for frequency, level, place in zip(frequencies, levels, places, strict=True):
        x, y = panel.x(frequency), panel.y(level)
        if level > _LOWEST_DB:
            canvas.line([(x, SPECTRUM[1]), (x, y)], LINE, size / 2)
            canvas.line([(x, y), (x + _ASIDE * place, y)], ACCENT, size / 2)
            canvas.dot(x, y, size, ACCENT)
    panel.frame()


def _envelope(
    canvas: Canvas, released: NDArray[np.float32], held: NDArray[np.float32] | None
) -> None:
    top, bottom = BELOW
    length_s = len(released) / _RATE
    panel = Panel(
        canvas,
        (LEFT, top, _MIDDLE[0], bottom),
        time_axis(length_s, most_ticks=6),
        _decibels(),
        title="Envelope, measured",
        unit="dB",
    )
    canvas.text(_MIDDLE[0], bottom + 38, "seconds", ink=SOFT, at="ra")
    full = released if held is None else held
    reference = _power(full).max()
    _outline(canvas, panel, full, reference, FILL, LINE)
    if held is not None:
        _outline(canvas, panel, released, reference, None, ACCENT)
    x = panel.x(HELD_S)
    canvas.line([(x, top), (x, bottom)], ACCENT, 1.5)
    if held is None:
        canvas.text(x - 10, bottom - 24, "key released", at="rm")
    else:  # it goes on without
        room = _MIDDLE[0] - x > RELEASED_WIDE
        aside, at = (10, "lm") if room else (-10, "rm")
        canvas.text(x + aside, top + 24, "if the key is released", at=at)
    panel.frame()


def _power(audio: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the mean power of every 5 ms, over 20 ms: a period of C4 must not show."""
    hop = _RATE // 200
    frames = len(audio) // hop
    parts = audio[: frames * hop].reshape(frames, hop).astype(np.float64)
    power: NDArray[np.float64] = np.convolve(np.mean(parts**2, axis=1), np.ones(4) / 4, "same")
    return power


def _outline(
    canvas: Canvas,
    panel: Panel,
    audio: NDArray[np.float32],
    reference: float,
    fill: Colour | None,
    line: Colour,
) -> None:
    levels = 10 * np.log10(np.maximum(_power(audio) / max(reference, 1e-18), 1e-18))
    times = (np.arange(len(levels)) + 0.5) / 200
    points = [(panel.x(time), panel.y(level)) for time, level in zip(times, levels, strict=True)]
    bottom = panel.box[3]
    if fill is not None:
        canvas.area([(points[0][0], bottom), *points, (points[-1][0], bottom)], fill)
    canvas.line([(x, y) for x, y in points if y < bottom], line, 2)


def _waveform(canvas: Canvas, audio: NDArray[np.float32], periods: int) -> None:
    top, bottom = BELOW
    start = round(_WAVE_AT_S * _WAVE_RATE)
    wave = audio[start : start + round(periods * _WAVE_RATE / _HERTZ)]
    peak = float(np.abs(wave).max()) or 1.0
    length_ms = len(wave) / _WAVE_RATE * 1000
    words = "1 period" if periods == 1 else f"{periods} periods"
    panel = Panel(
        canvas,
        (_MIDDLE[1], top, RIGHT, bottom),
        time_axis(length_ms, most_ticks=6),
        Axis(-1.1, 1.1, [-1, 0, 1], ["-1", "0", "1"]),
        title=f"Waveform after {_WAVE_AT_S:g} s, {words}",
        unit="of peak",
    )
    canvas.text(RIGHT, bottom + 38, "milliseconds", ink=SOFT, at="ra")
    times = np.arange(len(wave)) / _WAVE_RATE * 1000
    canvas.line(
        [(panel.x(time), panel.y(value / peak)) for time, value in zip(times, wave, strict=True)],
        LINE,
        2,
    )
    panel.frame()


def _decibels() -> Axis:
    ticks = [-60, -40, -20, 0]
    return Axis(_LOWEST_DB, 3.0, ticks, [f"{tick}" for tick in ticks])
