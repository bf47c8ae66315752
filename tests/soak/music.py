"""Soak: a day of random music through the instrument, in virtual time; every block is checked.

``python tests/soak/music.py [HOURS]``, 24 hours by default.
"""

import sys
import time

from config.settings import Settings
from tests.support.random_music import Marathon, accounts_in_use, resident

HOURS = 24
RATE, BLOCK = 48_000, 128
_GROWTH = 1_000_000
"""Bytes that two thirds of the time may add to the memory of the first third."""


def main(hours: int) -> int:
    """Play; return 0 when all was as it should be."""
    settings = Settings.model_validate({"polyphony": 16, "level": {"volume_db": 6.0}})
    marathon = Marathon(7, settings, sample_rate=RATE, block_frames=BLOCK)
    marathon.fill()
    began, first = time.perf_counter(), 0
    for hour in range(1, hours + 1):
        marathon.play(3600)
        if hour <= max(hours // 3, 1):
            first = resident()
        notes, seconds = marathon.player.struck, time.perf_counter() - began
        print(
            f"{hour:2} h: {notes:,} notes, {marathon.blocks:,} blocks, loudest "
            f"{marathon.loudest:.3f}, {resident() >> 10:,} KiB, {seconds:.0f} s",
            flush=True,
        )
    grown = resident() - first
    marathon.end()
    used = ", ".join(sorted(accounts_in_use(marathon.instrument)))
    print(f"note count exact at every block; accounts: {used}")
    print(f"memory since the first third: {grown >> 10:+,} KiB")
    return int(grown > _GROWTH)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else HOURS))
