"""Soak: random music through the real daemon, over JACK, in real time.

``python tests/soak_process.py [MINUTES]``, 10 unless told otherwise. It fails when the note count
is not exact, a note hangs, a block is silenced by a fault, or something grows.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

from tests.controller import VirtualController
from tests.jackd import JackServer, own_name
from tests.random_music import CONTROLLERS, RestlessPlayer
from tests.waiting import wait_until
from tests.whole import SETTINGS, Daemon, belongings

MINUTES = 10
_STEPS = 1_000
"""Steps a second in which messages are sent."""
_GROWTH = 6_000_000
"""Bytes that keeper and player together may add after the first third: tables of keys."""


def main(minutes: int) -> int:
    """Play; return 0 when all was as it should be."""
    with own_name() as name, tempfile.TemporaryDirectory() as folder:
        os.environ |= {"JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}
        server = JackServer(name, Path(folder) / "jackd.log")
        server.start()  # one that loses no message on a busy machine
        daemon = Daemon(Path(folder), SETTINGS.replace("sine", "market-organ"))
        try:
            daemon.says("ready:", timeout_s=15)
            return _play(daemon, minutes)
        finally:
            daemon.close()
            server.stop()


def _play(daemon: Daemon, minutes: int) -> int:
    player = RestlessPlayer(3, _STEPS)
    controllers = [VirtualController(f"Cargo Bike Keys {number}") for number in range(CONTROLLERS)]
    wait_until(lambda: len(daemon.status()["controllers"]) == CONTROLLERS)
    for controller in controllers:
        daemon.hears(controller)
    began, first, sent = time.monotonic(), belongings(daemon), 0
    before = daemon.status()["messages"]
    for second in range(minutes * 60):
        for at, number, message in player.until(_STEPS * (second + 1)):
            time.sleep(max(began + at / _STEPS - time.monotonic(), 0.0))
            # A pulled plug is another soak's; here the keys go up all the same.
            rest = [(0xB0 | channel, knob, 0) for channel in range(16) for knob in (64, 123)]
            for words in [tuple(message)] if message[0] != 0xFF else rest:
                controllers[number].send(*words)
                sent += 1
        if second == minutes * 20:
            first = belongings(daemon)
        if second % 60 == 59:
            status = daemon.status()
            block, came = status["block"], status["notes"]["received"]
            print(
                f"{second // 60 + 1} min: {sent} sent, {status['messages'] - before} heard, "
                f"{player.struck} struck, {came} received, {status['underflows']} underflows, "
                f"block p50 {block['p50_us']}, max {block['max_us']} of {block['deadline_us']} us, "
                f"{belongings(daemon)}",
                flush=True,
            )
    for controller in controllers:
        controller.pull()
    wait_until(lambda: daemon.status()["voices"]["now"] == 0, 60.0)
    status, last = daemon.status(), belongings(daemon)
    for controller in controllers:
        with controller:
            pass
    received, accounts = status["notes"]["received"], status["notes"]["accounts"]
    print(f"accounts: {accounts}")
    grown = {what: last[what] - first[what] for what in first}
    # Without its controllers the keeper holds less than before.
    print(f"grown: {grown}, silenced blocks: {status['silenced_blocks']}")
    # On a busy machine JACK drops messages before they reach us; of notes no more than of those.
    unheard, missing = sent - (status["messages"] - before), player.struck - received
    print(f"{unheard} messages of {sent} never reached us, {missing} of {player.struck} notes")
    exact = received == sum(accounts.values()) and 0 <= missing <= unheard <= sent // 100
    sound = exact and not accounts["sounding"] and not status["silenced_blocks"]
    held_more = any(grown[what] > 0 for what in ("descriptors", "threads"))
    return int(not sound or held_more or grown["bytes"] > _GROWTH)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else MINUTES))
