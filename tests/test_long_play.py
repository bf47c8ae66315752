"""A minute of random music in virtual time: nothing grows, nothing is lost."""

import random
from pathlib import Path

import numpy as np

from config.settings import Settings
from tests.playing_tools import RATE
from voices.instrument import Instrument

BLOCK = 1024
MINUTES = 1
PAGE = 4096


def random_messages(chance: random.Random) -> list[tuple[int, ...]]:
    """Return what a restless player sends in one block."""
    channel = chance.randrange(3)
    key = chance.randrange(30, 100)
    match chance.randrange(12):
        case 0 | 1 | 2:
            return [(0x90 | channel, key, chance.randrange(1, 128))]
        case 3 | 4 | 5:
            return [(0x80 | channel, each, 0) for each in range(key, key + 12)]
        case 6:
            return [(0xB0 | channel, 64, chance.choice((0, 127)))]
        case 7:
            return [(0xE0 | channel, chance.randrange(128), chance.randrange(128))]
        case 8:
            return [(0xB0 | channel, chance.choice((1, 7, 10, 11, 72, 74)), chance.randrange(128))]
        case 9:
            return [(0xC0 | channel, chance.randrange(10))]
        case 10 if chance.random() < 0.1:
            return [(0xB0 | channel, chance.choice((120, 121, 123)), 0)]
    return []


def resident() -> int:
    """Return the bytes of memory this process holds."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE


def test_a_minute_of_random_music_keep_the_count_and_leak_nothing() -> None:
    chance = random.Random(2026)
    instrument = Instrument(Settings(polyphony=24), sample_rate=RATE, block_frames=BLOCK)
    out = np.zeros((BLOCK, 2), np.float32)
    ceiling = 10 ** (-1 / 20) * 1.000001
    blocks = MINUTES * 60 * RATE // BLOCK
    tiny = np.finfo(np.float32).tiny
    early = 0
    for block in range(blocks):
        for message in random_messages(chance):
            instrument.take(message, 0 if block % 2 else 500)
        instrument.render(out)
        accounts = instrument.ledger.accounts()
        assert sum(accounts.values()) == instrument.ledger.received
        assert accounts["sounding"] <= 24
        assert max(instrument.peaks) <= ceiling
        if block % 97 == 0:
            loud = np.abs(out[out != 0])
            assert np.isfinite(out).all()
            assert not (loud < tiny).any()
        if block == blocks // 4:
            early = resident()
    late = resident()
    assert instrument.ledger.received > 400
    # The tables of keys and the latest notes are kept up to a bound: that is all that may come.
    assert late - early < 8_000_000
    for channel in range(3):
        instrument.take((0xB0 | channel, 120, 0))
    for _ in range(3):
        instrument.render(out)
    assert instrument.sounding == 0
    assert not out.any()
