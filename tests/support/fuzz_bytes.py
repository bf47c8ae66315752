"""Random bytes on the way that messages take, and the laws that they must not break.

The bytes come in strings of one to nine, as no library should hand them on: through the input of
a controller with two ports, the ring, and the player's core, into the instrument.
"""

import random

import numpy as np

from config.settings import Settings
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.midi.channel_state import ChannelState
from daemon.midi.controller_input import ControllerInput, SysexQueue
from daemon.player.engine import Engine

RATE, BLOCK, PER_BLOCK = 48_000, 256, 100
SETTINGS = Settings.model_validate({"polyphony": 8, "sound": {"name": "sine"}})


def fuzz(total: int, seed: int) -> Engine:
    """Send so many random bytes; fail at the first block that breaks a law."""
    chance = random.Random(seed)
    ring = MessageRing(memoryview(bytearray(MessageRing.SIZE)))
    board = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
    playing = Engine(SETTINGS, ring=ring, counters=board, sample_rate=RATE, block_frames=BLOCK)
    sysex, channels = SysexQueue(), ChannelState()
    ports = [
        controller.add_port()
        for number in range(2)
        for controller in [ControllerInput(number, ring.put, channels, sysex)]
        for _ in range(2)
    ]
    ceiling = 10 ** (SETTINGS.level.ceiling_db / 20) * 1.000001
    out = np.zeros((BLOCK, 2), np.float32)
    sent, strings, now_us = 0, 0, 1_000_000
    while sent < total:
        string = chance.randbytes(chance.randrange(1, 10))
        if chance.random() < 0.7:  # else hardly one in six would begin a message
            string = bytes((0x80 | chance.randrange(128),)) + string[1:]
        chance.choice(ports)(string, now_us)
        sent, strings = sent + len(string), strings + 1
        if strings % PER_BLOCK == 0:
            for controller, message in sysex.fetch():
                playing.submit_sysex(controller, message)
            now_us += BLOCK * 1_000_000 // RATE
            playing.render_block(out, now_us)
            where = f"seed {seed}, {sent} bytes"
            assert playing.timing.faults == 0, f"{where}: {playing.timing.error.decode()}"
            assert np.isfinite(out).all(), where
            assert np.abs(out).max() <= ceiling, where
            ledger = playing.instrument.ledger
            assert ledger.received == sum(ledger.accounts().values()), where
            playing.fetch_told()
            channels.messages()
    return playing
