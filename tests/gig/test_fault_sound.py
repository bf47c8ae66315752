"""Sound cards and servers that are late, die, stand still or run away, at the whole daemon."""

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.support.daemon_process import RATE, Daemon, record, running
from tests.support.fault_table import FaultLog
from tests.support.jack_server import JackServer
from tests.support.virtual_controller import VirtualController
from tests.support.waiting import wait_until


@pytest.fixture
def daemon(jack_server: JackServer, tmp_path: Path) -> Iterator[Daemon]:
    with running(tmp_path) as made:
        yield made


def test_a_card_that_arrives_later_is_found(jack_server: JackServer, tmp_path: Path) -> None:
    jack_server.stop()
    daemon = Daemon(tmp_path)
    try:
        watch = FaultLog("sound card absent at start, arriving later", lambda: daemon.log, at=0)
        watch.wait_for_next(15.0)
        wait_until(lambda: daemon.status()["state"] == "silent")
        jack_server.start()
        watch.wait_for_all()
        with VirtualController() as keys:
            daemon.says("controller connected")
            daemon.hears(keys)
            daemon.plays(keys, 60)
    finally:
        daemon.close()


def test_a_player_that_stood_still_goes_on_and_the_gap_is_counted(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """On a server that goes on without it, as a card does."""
    jack_server.stop()
    jack_server.start(synchronous=False)
    daemon = Daemon(tmp_path)
    try:
        daemon.says("ready:", timeout_s=15)
        watch = FaultLog("a block of sound too late for the card", lambda: daemon.log, at=0)
        before = daemon.status()["underflows"]
        os.kill(daemon.player, signal.SIGSTOP)
        time.sleep(0.05)  # the fault itself: nineteen blocks long
        os.kill(daemon.player, signal.SIGCONT)
        wait_until(lambda: daemon.status()["underflows"] > before)
        after = daemon.status()["blocks"]
        wait_until(lambda: daemon.status()["blocks"] > after)
        assert daemon.stop() == 0
        watch.wait_for_all()
    finally:
        daemon.close()


def test_a_player_that_runs_away_is_a_lost_card_and_the_next_one_plays_as_it_did(
    daemon: Daemon, tmp_path: Path
) -> None:
    """The kernel's own signal; that it comes when a thread spins, `test_realtime.py` shows."""
    with VirtualController() as keys:
        daemon.says("controller connected")
        daemon.hears(keys)
        # On a card that is new, sound grows out of silence first.
        wait_until(lambda: daemon.status()["blocks"] * 128 > RATE)
        keys.send(0xB0, 7, 50)
        keys.send(0xC0, 2)  # another sound than the one of power-on, a sine
        wait_until(lambda: daemon.struck_partials(keys, 69) > 8, 20.0)
        daemon.plays(keys, 69)
        before = heard(daemon, tmp_path)
        watch = FaultLog("audio thread that runs away", lambda: daemon.log)
        os.kill(daemon.player, signal.SIGXCPU)
        watch.wait_for_all()
        daemon.plays(keys, 69)
        after = heard(daemon, tmp_path)
        # Ranks beat: what is highest depends a little on when it is recorded.
        assert after == pytest.approx(before, rel=0.05)
        assert daemon.status()["notes"]["accounts"]["cut"] == 1
        keys.send(0xC0, 0)
        keys.send(0x80, 69, 0)
        daemon.sounds(0)
        daemon.plays(keys, 69)
        # Or else the look at the sound would be worth nothing.
        assert heard(daemon, tmp_path) != pytest.approx(before, rel=0.05)


def heard(daemon: Daemon, folder: Path) -> tuple[int, float]:
    """Return how many partials sound, and the highest sample of a second.

    Half a second of it is past the onset.
    """
    partials = daemon.status()["partials"]
    return partials, float(np.abs(record(folder)[RATE // 2 :]).max())


def test_a_sound_server_that_is_killed_and_returns_plays_again(
    jack_server: JackServer, daemon: Daemon
) -> None:
    watch = FaultLog("sound server killed", lambda: daemon.log)
    with VirtualController() as keys:
        daemon.says("controller connected")
        daemon.hears(keys)
        daemon.plays(keys, 60, 64)
        jack_server.kill()
        watch.wait_for_next()
        watch.wait_for_next()
        assert daemon.status()["state"] == "silent"
    jack_server.start()
    watch.wait_for_all()
    with VirtualController() as keys:
        daemon.says("controller reconnected")
        daemon.hears(keys)
        daemon.plays(keys, 69)
    notes = daemon.status()["notes"]
    assert notes["accounts"]["cut"] == 2
    assert notes["received"] == sum(notes["accounts"].values()) == 3
    assert daemon.stop() == 0
