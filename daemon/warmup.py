"""A little music that nobody hears, before the first that somebody does.

The first product alone takes milliseconds: the algebra library fetches its memory then.

Threads: any, while nothing plays.
"""

import numpy as np

from config.settings import Settings
from config.sound import Sound
from daemon.board import Board
from daemon.playing import Playing
from daemon.ring import Ring

BLOCKS = 24
_USUAL_RATE = 48_000


def warm_up(settings: Settings, sounds: dict[str, Sound] | None) -> int:
    """Play a little on an instrument that nobody hears; return how many notes it was."""
    sample_rate = settings.audio.sample_rate or _USUAL_RATE
    ring, board = Ring(memoryview(bytearray(Ring.SIZE))), Board(memoryview(bytearray(Board.SIZE)))
    frames = settings.audio.block_frames
    scratch = Playing(
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
