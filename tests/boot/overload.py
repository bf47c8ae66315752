"""Inside a virtual board: more is asked of the real daemon than fits, then less again.

``python3 overload.py FRAMES`` has notes of 64 partials struck and held, until all of them in
vibrato would take three times what a block has; watches what the governor leaves out, and that it
gives all of it back once there is less to do. Times are the board's monotonic clock: one that no
neighbour can disturb.
"""

import sys
import time
from typing import Any

import numpy as np

from config.settings import Settings
from daemon.control.ask import ask
from tests.boot.controller import Controller
from tests.boot.guest import LOG, MOD_WHEEL, NAME, plugged, said, start, stop, wait
from voices.instrument import Instrument

SOUND, PARTIALS = "flat64", 64
WANTED = 3.0
POLYPHONY = 256
KEYS = range(30, 54)
GOVERNED_S = 5.0
RETURN_S = 60.0


def share_of_a_block(voices: int, frames: int) -> float:
    """Return how many times a block's time so many voices in vibrato take, if all is rendered."""
    settings = Settings.model_validate({"polyphony": voices, "sound": {"name": SOUND}})
    rate = 48_000
    instrument = Instrument(settings, sample_rate=rate, block_frames=frames)
    for voice in range(voices):
        instrument.take((0x90 | voice // len(KEYS), KEYS[voice % len(KEYS)], 100))
        instrument.take((0xB0 | voice // len(KEYS), MOD_WHEEL, 127))
    out = np.zeros((frames, 2), np.float32)
    for _ in range(8):
        instrument.render(out)
    begun, blocks = time.perf_counter(), 20
    for _ in range(blocks):
        instrument.render(out)
    took_s = time.perf_counter() - begun
    assert instrument.sounding == voices
    assert instrument.partials >= voices * PARTIALS
    return took_s / blocks * rate / frames


def status() -> dict[str, Any]:
    answer: dict[str, Any] = ask({"ask": "status"})
    return answer


def wheel(controller: Controller, value: int) -> None:
    for channel in range(16):
        controller.send(0xB0 | channel, MOD_WHEEL, value)


def main(frames: int) -> None:
    """Ask for too much, then for less; end with 1 where the governor fell short."""
    voices, asked = 60, 0.0
    while asked < WANTED and voices < POLYPHONY:
        voices = min(voices + 4, POLYPHONY)
        asked = share_of_a_block(voices, frames)
    print(f"{voices} voices of {PARTIALS} partials in vibrato ask for {asked:.1f} times what fits")

    daemon = start(SOUND, frames, POLYPHONY)
    controller = Controller(NAME)
    plugged(controller)
    before = status()
    wheel(controller, 127)
    for voice in range(voices):
        controller.send(0x90 | voice // len(KEYS), KEYS[voice % len(KEYS)], 100)
        time.sleep(0.03)
    wait("every note", lambda: status()["voices"]["now"] == voices)
    time.sleep(1.0)
    settled = status()
    time.sleep(GOVERNED_S)
    after = status()
    held = after["notes"]["accounts"]["sounding"]
    lost = [each["underflows"] - before["underflows"] for each in (settled, after)]
    blocks = after["blocks"] - before["blocks"]
    fits = after["running_s"] - before["running_s"]
    fits *= 48_000 / frames
    print(
        f"in vibrato: {after['partials']} of {voices * PARTIALS} partials sound, {held} notes held;"
        f" {lost[0]} underflows while they came, {lost[1] - lost[0]} in {GOVERNED_S:.0f} s after;"
        f" {blocks} blocks rendered where {fits:.0f} were played"
    )

    wheel(controller, 0)
    kept = voices // 3
    for voice in range(kept, voices):
        controller.send(0x80 | voice // len(KEYS), KEYS[voice % len(KEYS)], 0)
    took = wait("all partials", lambda: status()["most_partials"] == 0, RETURN_S)
    wait("the tails' end", lambda: status()["voices"]["now"] == kept)
    wait("its line in the log", said("enough time again: all partials sound"))
    last = status()
    print(
        f"vibrato off, a third of the notes: all partials back after {took:.1f} s; "
        f"{last['partials']} of {kept * PARTIALS} sound"
    )
    stop(daemon)
    told = LOG.read_text()
    good = (
        asked >= WANTED
        and held == voices
        and 0 < after["partials"] < voices * PARTIALS
        and lost[0] == lost[1]
        and blocks > 0.99 * fits - 8
        and last["partials"] == kept * PARTIALS
        and "partials sound now, the quietest are left out" in told
    )
    print("reached" if good else "MISSED")
    sys.exit(not good)


if __name__ == "__main__":
    main(int(sys.argv[1]))
