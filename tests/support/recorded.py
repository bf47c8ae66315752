"""Recordings made for tests: known sums of partials, and our own sounds played."""

import struct
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from config.library import shipped
from config.settings import Settings
from config.sound import Sound
from daemon.offline.midi_file import Song
from daemon.offline.rendering import Rendering, render
from voices.instrument import Instrument

RATE = 44_100
LEAD_S = 0.05
Array = NDArray[np.float64]


class Sum(NamedTuple):
    """One partial of a known sum."""

    ratio: float
    level_db: float
    phase: float = 0.0
    decay_s: float = np.inf


def summed(
    hz: float,
    partials: Sequence[Sum],
    seconds: float,
    *,
    rise_s: float = 0.004,
    noise_db: float | None = None,
    rate: int = RATE,
) -> Array:
    """Return partials together, a little silence before them, a fifth of full scale for 0 dB."""
    times = np.arange(round(seconds * rate)) / rate
    out = np.zeros(len(times))
    for each in partials:
        turning = np.sin(2 * np.pi * (hz * each.ratio * times + each.phase))
        out += 10 ** (each.level_db / 20) * turning * 0.001 ** (times / each.decay_s)
    out *= 0.5 - 0.5 * np.cos(np.pi * np.clip(times / rise_s, 0.0, 1.0))
    if noise_db is not None:
        power = sum(10 ** (each.level_db / 10) for each in partials) / 2 * 10 ** (noise_db / 10)
        out += np.random.default_rng(5).standard_normal(len(out)) * np.sqrt(power)
    return np.concatenate([np.zeros(round(LEAD_S * rate)), 0.2 * out])


def rendered(
    song: Song, settings: Settings, block_frames: int = 1024, rate: int = 48_000
) -> tuple[NDArray[np.float32], Rendering]:
    """Return a song as `partiald render` makes it, with what was counted meanwhile."""
    blocks: list[NDArray[np.float32]] = []
    rendering = render(
        *(song, settings, shipped(), rate),
        lambda block: blocks.append(block.copy()),
        block_frames=block_frames,
    )
    return np.concatenate(blocks), rendering


def played(
    sounds: dict[str, Sound], name: str, key: int, seconds: float, held_s: float = 99.0
) -> NDArray[np.float32]:
    """Return one note of a sound, without a room."""
    settings = Settings.model_validate(
        {"sound": {"name": name, "programs": []}, "room": {"level_db": -80.0}}
    )
    instrument = Instrument(settings, sample_rate=RATE, block_frames=64, sounds=sounds)
    out = np.zeros((64, 2), np.float32)
    blocks = [np.zeros((round(LEAD_S * RATE), 2), np.float32)]
    instrument.take(bytes((0x90, key, 127)))
    for block in range(round(seconds * RATE / 64)):
        if block == round(held_s * RATE / 64):
            instrument.take(bytes((0x80, key, 64)))
        instrument.render(out)
        blocks.append(out.copy())
    return np.concatenate(blocks)


def write_wav(path: Path, audio: NDArray[np.floating], rate: int = RATE) -> Path:
    """Write a WAV file of 16 bits, as most recorders do."""
    audio = np.atleast_2d(audio.T).T
    body = (np.clip(audio, -1.0, 1.0) * 32767).astype("<i2").tobytes()
    channels = audio.shape[1]
    head = struct.pack("<HHIIHH", 1, channels, rate, 2 * channels * rate, 2 * channels, 16)
    path.write_bytes(
        struct.pack("<4sI4s4sI", b"RIFF", 36 + len(body), b"WAVE", b"fmt ", 16)
        + head
        + struct.pack("<4sI", b"data", len(body))
        + body
    )
    return path
