"""A warm-up: an engine that plays before anybody hears it, for what only the first notes cost.

Units: microseconds of virtual time, frames.
Threads: any; it shares nothing with the engine that plays.
"""

from collections.abc import Mapping

import numpy as np

from config.settings import Settings
from config.sound import Sound
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.player.engine import Engine

_WARM_UP_BLOCKS = 24
_COMMON_RATE = 48_000


def warm_up(
    settings: Settings, sounds: Mapping[str, Sound] | None, *, own_sound_only: bool = False
) -> int:
    """Play a few notes that nobody hears, while nothing else plays; return how many.

    The first matrix product alone takes milliseconds: the BLAS library allocates its memory then.
    """
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
