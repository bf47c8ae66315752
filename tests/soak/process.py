"""Soak: random music through the real daemon, over JACK, in real time.

``python tests/soak/process.py [MINUTES]``, 10 by default. It fails when the note count
is not exact, a note hangs, a block is silenced by a fault, or something grows.
"""

import sys
import time
from collections.abc import Mapping
from typing import Any

from config.settings import Settings
from tests.support.daemon_process import SETTINGS, Daemon, belongings
from tests.support.random_music import CONTROLLERS, RestlessPlayer, resident
from tests.support.stage import staged
from tests.support.virtual_controller import VirtualController
from tests.support.waiting import wait_until

MINUTES = 10
_STEPS = 1_000
"""Steps a second in which messages are sent."""
_REST = [(0xB0 | channel, knob, 0) for channel in range(16) for knob in (64, 123)]
_BENT = 700
"""Notes, each bent differently, after which the tables of keys have made room for others."""
_AT_ONCE = Settings().polyphony
_RICHEST = Settings().sound.programs.index("flat64")
_KEEPERS_GROWTH = 1_100_000
_GROWTH = 2_200_000
"""Bytes that the keeper, and all processes together, may add after the first third. The keeper: one
arena of the interpreter's, 1 MiB. The player: another."""


def main(minutes: int) -> int:
    """Play; return 0 when all was as it should be."""
    with staged(SETTINGS.replace("sine", "market-organ")) as daemon:
        return _play(daemon, minutes)


def _play(daemon: Daemon, minutes: int) -> int:
    player = RestlessPlayer(3, _STEPS)
    controllers = [VirtualController(f"Cargo Bike Keys {number}") for number in range(CONTROLLERS)]
    wait_until(lambda: len(daemon.status()["controllers"]) == CONTROLLERS)
    for controller in controllers:
        daemon.hears(controller)
    _fill(daemon, controllers[0])
    before, began, sent = daemon.status(), time.monotonic(), 0
    first = _held(daemon)
    for second in range(minutes * 60):
        for at, number, message in player.until(_STEPS * (second + 1)):
            time.sleep(max(began + at / _STEPS - time.monotonic(), 0.0))
            # A pulled plug is another soak's; here the keys go up all the same.
            for words in [tuple(message)] if message[0] != 0xFF else _REST:
                controllers[number].send(*words)
                sent += 1
        if second == minutes * 20:
            first = _held(daemon)
        if second % 60 == 59:
            status = daemon.status()
            block = status["block"]
            print(
                f"{second // 60 + 1} min: {sent} sent, {_since(before, status)} heard and received,"
                f" {player.struck} struck, {status['underflows']} underflows, "
                f"block p50 {block['p50_us']}, max {block['max_us']} of {block['deadline_us']} us, "
                f"{_held(daemon)}",
                flush=True,
            )
    for controller in controllers:
        for words in _REST:
            controller.send(*words)
            sent += 1
    wait_until(lambda: daemon.status()["voices"]["now"] == 0, 60.0)
    status, last = daemon.status(), _held(daemon)
    for controller in controllers:
        with controller:
            pass
    accounts = status["notes"]["accounts"]
    print(f"accounts: {accounts}")
    grown = {what: last[what] - first[what] for what in first}
    print(f"grown: {grown}, silenced blocks: {status['silenced_blocks']}")
    # On a busy machine JACK drops messages before they reach us; of notes no more than of those.
    heard, received = _since(before, status)
    unheard, missing = sent - heard, player.struck - received
    print(f"{unheard} messages of {sent} never reached us, {missing} of {player.struck} notes")
    exact = status["notes"]["received"] == sum(accounts.values())
    exact = exact and 0 <= missing <= unheard <= sent // 100
    sound = exact and not accounts["sounding"] and not status["silenced_blocks"]
    held_more = any(grown[what] > 0 for what in ("descriptors", "threads"))
    leaks = grown["bytes"] > _GROWTH or grown["keeper"] > _KEEPERS_GROWTH
    return int(not sound or held_more or leaks)


def _held(daemon: Daemon) -> dict[str, int]:
    """Return what all processes hold, and the bytes of the keeper alone."""
    return belongings(daemon) | {"keeper": resident(daemon.process.pid)}


def _since(before: Mapping[str, Any], now: Mapping[str, Any]) -> tuple[int, int]:
    """Return the messages and the note-ons that came between two looks."""
    heard = now["messages"] - before["messages"]
    return heard, now["notes"]["received"] - before["notes"]["received"]


def _fill(daemon: Daemon, controller: VirtualController) -> None:
    """Have all made that is kept for later.

    That is every key of each sound, what a voice begins with, a place for as many as sound at
    once, and tables of bent keys, which take some MiB before they make room
    (`voices.synthesis.table_cache`, `voices.phases.onset_spectrum`).
    """
    for program in (*range(len(Settings().sound.programs)), _RICHEST):
        controller.send(0xC0, program)
        for key in range(128 + _AT_ONCE):
            if key < 128:
                controller.chord(key, velocity=max(1, key))
            if key >= _AT_ONCE:
                controller.send(0x80, key - _AT_ONCE, 0)
            time.sleep(0.005)
        for _ in range(3):  # a busy machine's JACK may have dropped what releases a key
            controller.send(0xB0, 123, 0)
            time.sleep(0.05)
        daemon.sounds(0)
    for number in range(_BENT):
        bend = 8192 - 5 * number
        controller.send(0xE0, bend & 127, bend >> 7)
        time.sleep(0.01)  # until it is at rest
        controller.chord(36 + number % 60)
        time.sleep(0.01)
        controller.send(0x80, 36 + number % 60, 0)
    controller.send(0xE0, 0, 64)
    controller.send(0xC0, 0)
    controller.chord(60)
    controller.send(0x80, 60, 0)
    daemon.sounds(0)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else MINUTES))
