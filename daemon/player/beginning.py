"""The beginning of a player: whatever it would have to work out before its first note.

Units: microseconds of virtual time, frames.
Threads: the fork server makes it before it forks, so that every player inherits it; a player makes
it again only for other settings or sounds.

It is validated settings and sounds, the timbres and tables of the sound in force, and an engine
that has played before anybody hears it.
"""

import ctypes
import gc
from collections.abc import Mapping
from contextlib import suppress
from typing import Any, NamedTuple

import numpy as np

from config.library import with_shipped
from config.settings import Settings
from config.sound import Sound
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.ipc.messages import Start
from daemon.player.engine import Engine

_WARM_UP_BLOCKS = 24
_COMMON_RATE = 48_000
Plain = Mapping[str, Any]


class Beginning(NamedTuple):
    """What a player begins with."""

    settings: Settings
    sounds: Mapping[str, Sound]


_latest: tuple[Start, Beginning] | None = None


def beginning(job: Start) -> Beginning:
    """Return what a player begins with; the same as before if it is asked for the same.

    Raises
    ------
    ValueError
        If the settings or a sound have a fault.
    """
    global _latest
    if _latest is not None and _is_alike(_latest[0], job):
        return _latest[1]
    made = Beginning(*prepared(job.settings, job.sounds))
    warm_up(*made, own_sound_only=not job.programs)
    _latest = job, made
    # What the warm-up has left goes back to the kernel here, not in every player (2 of 38 MiB,
    # measured); what stays is looked at no more.
    gc.freeze()
    with suppress(AttributeError):  # another C library than glibc has no malloc_trim(3)
        ctypes.CDLL(None).malloc_trim(0)
    return made


def _is_alike(one: Start, other: Start) -> bool:
    return (one.settings, one.sounds, one.programs) == (
        other.settings,
        other.sounds,
        other.programs,
    )


def prepared(settings_plain: Plain, sounds_plain: Plain) -> tuple[Settings, Mapping[str, Sound]]:
    """Return validated settings, and the owner's validated sounds with the shipped ones.

    Sound by sound: one call over all would hold the interpreter, and with it the audio callback,
    for milliseconds.
    """
    settings = Settings.model_validate(settings_plain)
    sounds: dict[str, Sound] = {}
    for name, plain in sounds_plain.items():
        sound = Sound.model_validate(plain)
        # Worked out here once, so that the callback finds them ready.
        _ = sound.ratios, sound.levels, sound.phases, sound.decays_s, sound.count
        sounds[name] = sound
    return settings, with_shipped(sounds)


def warm_up(
    settings: Settings, sounds: Mapping[str, Sound] | None, *, own_sound_only: bool = False
) -> int:
    """Play a few notes that nobody hears; return how many.

    The first matrix product alone takes milliseconds: the BLAS library allocates its memory then.
    """
    played = _played(settings, sounds, own_sound_only=own_sound_only)
    # Its banks and their slots hold each other: others would be made beside, not in place of them.
    gc.collect()
    return played


def _played(settings: Settings, sounds: Mapping[str, Sound] | None, *, own_sound_only: bool) -> int:
    sample_rate = settings.audio.sample_rate or _COMMON_RATE
    ring = MessageRing(memoryview(bytearray(MessageRing.SIZE)))
    frames = settings.audio.block_frames
    engine = Engine(
        settings,
        ring=ring,
        counters=SharedCounters(memoryview(bytearray(SharedCounters.SIZE))),
        sample_rate=sample_rate,
        block_frames=frames,
        sounds=sounds,
        own_sound_only=own_sound_only,
    )
    out = np.zeros((frames, 2), np.float32)
    for number in range(_WARM_UP_BLOCKS):
        now_us = number * 1_000_000 * frames // sample_rate
        status, key = (0x90, 0x80)[number % 2], 48 + number // 2 % 12
        ring.put((status, key, 64), now_us, 0)
        engine.render_block(out, now_us)
    return engine.instrument.ledger.received
