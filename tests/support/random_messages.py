"""Random valid MIDI messages: every kind there is, the likely ones often, all of them sometimes.

Frames and seeds are the caller's; the same seed gives the same messages.
"""

import random

from voices.receiver import mts
from voices.receiver.sysex import EXCLUSIVE

_NUMBERS = (0, 1, 5, 6, 7, 8, 10, 11, 32, 38, *range(64, 80), 84, 88, *range(96, 102), 120, 121)
_MODES = (123, 124, 125, 126, 127)


def random_message(chance: random.Random, channels: int = 16) -> bytes:
    """Return one message, status first, whole."""
    channel = chance.randrange(channels)
    value = chance.choice((0, 1, 63, 64, 65, 127, chance.randrange(128), chance.randrange(128)))
    key = chance.choice((chance.randrange(128), chance.randrange(48, 72)))
    match chance.randrange(24):
        case 0 | 1 | 2 | 3 | 4 | 5:
            return bytes((0x90 | channel, key, value))
        case 6 | 7 | 8 | 9:
            return bytes((0x80 | channel, key, value))
        case 10:
            return bytes((0xA0 | channel, key, value))
        case 11 | 12 | 13 | 14:
            return bytes((0xB0 | channel, chance.choice(_NUMBERS), value))
        case 15:
            return bytes((0xB0 | channel, chance.randrange(120), value))
        case 16:
            return bytes((0xB0 | channel, chance.choice(_MODES), chance.choice((0, 0, 1, value))))
        case 17:
            return bytes((0xC0 | channel, value))
        case 18:
            return bytes((0xD0 | channel, value))
        case 19 | 20:
            return bytes((0xE0 | channel, chance.randrange(128), value))
        case 21:
            number = chance.choice((100, 101, 6, 6, 38))
            return bytes((0xB0 | channel, number, chance.randrange(8)))
        case 22:
            return bytes((chance.choice((0xF8, 0xFA, 0xFC, 0xFE, 0xF6) if key else (0xFF,)),))
        case _:
            return exclusive_message(chance)


def exclusive_message(chance: random.Random) -> bytes:
    """Return a system exclusive message of a kind that is known, or, now and then, of none."""
    if chance.random() < 0.1:
        body = bytes(chance.randrange(128) for _ in range(chance.randrange(40)))
        return b"\xf0" + body + b"\xf7"
    time, kind, which = chance.choice(list(EXCLUSIVE))
    lengths = (0, 1, 2, 3, 4, 6, 7, 8, 15, 27, 31, 43)
    data = bytes(chance.randrange(128) for _ in range(chance.choice(lengths)))
    if kind == 8 and which in (1, 4) and chance.random() < 0.5:
        data = bytes(chance.randrange(128) for _ in range(1 + 16 + 384 + (which == 4)))
    body = bytes((time, chance.choice((0, 127)), kind, which)) + data
    if kind == 8 and which in (1, 4, 5, 6):
        body += bytes((mts.checksum(body),))
    return b"\xf0" + body + b"\xf7"
