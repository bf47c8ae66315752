"""Playing in tests: a list of timed messages goes in, the whole recording comes out.

Units: frames counted from the first one rendered. Shapes: a recording is ``(frames, 2)`` float32.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import mido
import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from voices.instrument import Instrument

Recording = NDArray[np.float32]
Event = tuple[int, mido.Message]
RATE = 48_000


def on(frame: int, key: int, velocity: int = 127, channel: int = 0) -> Event:
    """Return a key struck."""
    return frame, mido.Message("note_on", note=key, velocity=velocity, channel=channel)


def off(frame: int, key: int, channel: int = 0, velocity: int = 64) -> Event:
    """Return a key released."""
    return frame, mido.Message("note_off", note=key, velocity=velocity, channel=channel)


def control(frame: int, number: int, value: int, channel: int = 0) -> Event:
    """Return a control change."""
    return frame, mido.Message("control_change", control=number, value=value, channel=channel)


def bend(frame: int, value: int, channel: int = 0) -> Event:
    """Return a pitch bend from -8192 to 8191."""
    return frame, mido.Message("pitchwheel", pitch=value, channel=channel)


def program(frame: int, number: int, channel: int = 0) -> Event:
    """Return a program change, counted from 0."""
    return frame, mido.Message("program_change", program=number, channel=channel)


def difference_of_blocks(recording: Callable[[int], Recording], least: float) -> float:
    """Return how far from each other short and long blocks come out, in dB beside their peak.

    Fails if the peak is not above ``least``.
    """
    short, long = recording(64), recording(512)
    peak = float(np.abs(long).max())
    assert peak > least
    return float(20 * np.log10(np.abs(short - long).max() / peak + 1e-12))


def sound(
    level_db: Sequence[float],
    *,
    trim_db: float = -40.0,
    envelope: Mapping[str, float] | None = None,
    velocity: Mapping[str, float] | None = None,
    **partials: Any,
) -> Sound:
    """Return a sound with partials at these levels, far below the ceiling."""
    return Sound.model_validate(
        {
            "title": "Under test",
            "about": "Made for a measurement.",
            "level_db": trim_db,
            "partials": {"level_db": list(level_db), **partials},
            "envelope": dict(envelope or {}),
            "velocity": dict(velocity or {}),
        }
    )


def settings_for(*names: str, **more: Any) -> Settings:
    """Return settings that play these sounds as the first programs."""
    return Settings.model_validate({"sound": {"name": names[0], "programs": list(names)}, **more})


def perform(
    instrument: Instrument,
    block_frames: int,
    events: Iterable[Event],
    frames: int,
    each_block: Callable[[], None] | None = None,
) -> Recording:
    """Play events, those of one frame in the order given; return what sounds in ``frames``."""
    blocks = -(-frames // block_frames)
    recording = np.empty((blocks * block_frames, 2), np.float32)
    in_order = sorted(events, key=lambda event: event[0])
    waiting = iter([*in_order, (blocks * block_frames, None)])
    frame, message = next(waiting)
    for start in range(0, blocks * block_frames, block_frames):
        while frame < start + block_frames:
            instrument.receive(message, frame=frame - start)
            frame, message = next(waiting)
        instrument.render(recording[start : start + block_frames])
        if each_block is not None:
            each_block()
    return recording[:frames]


def play(
    events: Iterable[Event],
    frames: int,
    *,
    settings: Settings | None = None,
    sounds: Mapping[str, Sound] | None = None,
    sample_rate: int = RATE,
    block_frames: int = 1024,
    mono: bool = False,
) -> Recording:
    """Play events on a fresh instrument; without settings, its sound is ``sine``."""
    instrument = Instrument(
        settings or settings_for("sine"),
        sample_rate=sample_rate,
        block_frames=block_frames,
        sounds=sounds,
        mono=mono,
    )
    return perform(instrument, block_frames, events, frames)
