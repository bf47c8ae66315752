"""The memory at a polyphony of 128, over an hour of virtual playing; part of `make bench`.

The player's core in a process of its own, its collector frozen as in the player, played on by a
restless performer: notes of 64 partials (on two of eight channels of other sounds), tails, bends,
vibrato, volumes. Before that every sound is played on every key, so that what is kept of them has
been made. How many voices sound on average is measured too, and must be most of them. What its
libraries take is left out.

Up to 0.2.0 it took 27 MiB: sounds of one spectrum on all keys, and banks that grew while they were
played.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

import random
import sys
from pathlib import Path

import mido  # noqa: F401 - these five are what it is measured against
import numpy as np
import pydantic  # noqa: F401
import rtmidi  # noqa: F401
import sounddevice  # noqa: F401

from config.settings import Settings
from daemon.commands.run import keep_pages_small
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.player.engine import Engine
from daemon.player.realtime import freeze_garbage_collector

VOICES, RATE, FRAMES = 128, 48_000, 256
SOUND = "flat64"
PROGRAMS = len(Settings().sound.programs)
KEYS = range(24, 90)
MOST_MIB = 140.0
FLAT_MIB = 2.0
MINUTES = 60
WARM = 10
"""Minutes after which what is kept for later has been filled and emptied."""
SPARE = 8
"""A channel for what is made beforehand."""
LEAST_VOICES = 0.6 * VOICES
"""On average, from the first note on; what is struck or plucked dies away while keys are down."""
NEW_EVERY_S = 0.25
GESTURE_EVERY_S = 20.0


def resident_mib() -> float:
    """Return the memory that this process has in the machine's."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def played(chance: random.Random, held: list[tuple[int, int]]) -> list[tuple[int, ...]]:
    """Return what the performer sends now: a new note, with as many keys down as it may be."""
    channel, key = chance.randrange(8), chance.choice(KEYS)
    messages: list[tuple[int, ...]] = [(0x90 | channel, key, chance.randrange(20, 128))]
    held.append((channel, key))
    while len(held) > VOICES * 7 // 8:
        let_go, up = held.pop(chance.randrange(len(held)))
        messages.append((0x80 | let_go, up, 0))
    return messages


def moved(chance: random.Random) -> list[tuple[int, ...]]:
    """Return a gesture: all channels bent, and in vibrato for a moment, or another sound."""
    if chance.random() < 0.2:
        return [(0xC0 | chance.randrange(6, 8), chance.randrange(PROGRAMS))]
    wheel = chance.choice((0, 0, 127))
    bent = chance.randrange(128)
    return [
        message
        for channel in range(8)
        for message in ((0xE0 | channel, 0, bent), (0xB0 | channel, 1, wheel))
    ]


def main() -> int:
    """Print the memory as it goes; return 1 when it is too much or grows."""
    keep_pages_small()
    imported = resident_mib()
    chance = random.Random(2026)
    ring, board = (
        MessageRing(memoryview(bytearray(MessageRing.SIZE))),
        SharedCounters(memoryview(bytearray(SharedCounters.SIZE))),
    )
    settings = Settings.model_validate({"polyphony": VOICES, "sound": {"name": SOUND}})
    playing = Engine(settings, ring=ring, counters=board, sample_rate=RATE, block_frames=FRAMES)
    out = np.zeros((FRAMES, 2), np.float32)
    freeze_garbage_collector()
    for program in range(PROGRAMS):
        playing.instrument.take((0xC0 | SPARE, program))
        for key in KEYS:
            playing.instrument.take((0x90 | SPARE, key, 100))
            playing.instrument.render(out)
    playing.instrument.panic()
    print(
        f"\npolyphony {VOICES}, 64 partials, {FRAMES} frames; MiB above {imported:.1f} of imports:"
    )
    held: list[tuple[int, int]] = []
    every = int(NEW_EVERY_S * RATE / FRAMES)
    gesture = int(GESTURE_EVERY_S * RATE / FRAMES)
    above: list[float] = []
    voices = 0
    for block in range(MINUTES * 60 * RATE // FRAMES):
        now_us = 1_000_000 + block * FRAMES * 1_000_000 // RATE
        if block % every == 0:
            for message in played(chance, held):
                ring.put(message, now_us, 0)
        if block % gesture == 0:
            for message in moved(chance):
                ring.put(message, now_us, 0)
        if block % gesture == every:  # the wheels back: an hour of vibrato would take an hour
            for channel in range(8):
                ring.put((0xB0 | channel, 1, 0), now_us, 0)
        playing.render_block(out, now_us)
        voices += playing.instrument.sounding
        minutes, rest = divmod(block + 1, 60 * RATE // FRAMES)
        if not rest:
            above.append(resident_mib() - imported)
            if minutes % 10 == 0:
                print(f"  {minutes:2d} min {above[-1]:6.1f}", flush=True)
    if playing.timing.faults:
        raise SystemExit(f"the instrument failed: {playing.timing.error.decode()}")
    # It rises and falls as the tables of keys are kept and given up: the crests are compared.
    middle = (WARM + MINUTES) // 2
    most, grown = max(above), max(above[middle:]) - max(above[WARM:middle])
    average = voices / (block + 1)
    good = most <= MOST_MIB and grown <= FLAT_MIB and average >= LEAST_VOICES
    print(
        f"  {playing.instrument.ledger.received} notes, {average:.0f} voices on "
        f"average; at most {most:.1f} MiB of {MOST_MIB:.0f}, {grown:+.2f} from the "
        f"first half after {WARM} minutes to the second: {'reached' if good else 'MISSED'}"
    )
    return int(not good)


if __name__ == "__main__":
    sys.exit(main())
