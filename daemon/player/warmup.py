"""A little music that nobody hears, before the first that somebody does.

The first product alone takes milliseconds: the algebra library fetches its memory then.

Threads: any, while nothing plays.
"""

import numpy as np

from config.settings import Settings
from config.sound import Sound
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.player.engine import Engine

BLOCKS = 24
_USUAL_RATE = 48_000


def warm_up(settings: Settings, sounds: dict[str, Sound] | None) -> int:
    """Play a little on an instrument that nobody hears; return how many notes it was."""
    sample_rate = settings.audio.sample_rate or _USUAL_RATE
    ring, board = (
        MessageRing(memoryview(bytearray(MessageRing.SIZE))),
        SharedCounters(memoryview(bytearray(SharedCounters.SIZE))),
    )
    frames = settings.audio.block_frames
    scratch = Engine(
        settings,
        ring=ring,
        board=board,
        sample_rate=sample_rate,
        block_frames=frames,
        sounds=sounds,
    )
    out = np.zeros((frames, 2), np.float32)
    for number in range(BLOCKS):
        now_us = number * 1_000_000 * frames // sample_rate
        status, key = (0x90, 0x80)[number % 2], 48 + number // 2 % 12
        ring.put((status, key, 64), now_us, 0)
        scratch.block(out, now_us)
    return scratch.instrument.ledger.received
