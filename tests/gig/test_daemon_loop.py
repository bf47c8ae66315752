"""The whole daemon as it will run: its process, a real MIDI port, a real stream, recorded.

A JACK server stands in for sound card and MIDI hardware; nothing of ours is replaced.
"""

import os
import signal
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from daemon.player.realtime import MAIN_PRIORITY
from tests.support.daemon_process import RATE, SETTINGS, Daemon, children, record, running
from tests.support.jack_server import JackServer
from tests.support.measure import cents, pitch
from tests.support.service_manager import PING, Manager
from tests.support.virtual_controller import NAME, VirtualController
from tests.support.waiting import wait_until


@pytest.fixture
def daemon(jack_server: JackServer, tmp_path: Path) -> Iterator[Daemon]:
    with running(tmp_path) as made:
        yield made


def key_hz(key: int) -> float:
    return float(440.0 * 2 ** ((key - 69) / 12))


def test_it_plays_the_right_pitches_through_unplugging_and_replugging(
    daemon: Daemon, tmp_path: Path
) -> None:
    """Pitches: MIDI 1.0, key 69 is 440 Hz, equal temperament (ISO 16 for the 440)."""
    with VirtualController() as controller:
        daemon.says(f"controller connected: '{NAME}'")
        daemon.hears(controller)
        controller.chord(60, 69)
        daemon.sounds(2)
        chord = record(tmp_path)
        for key in (60, 69):
            assert abs(cents(pitch(chord, RATE, key_hz(key), 100), key_hz(key))) < 1.0
        controller.pull()
        daemon.says(f"controller lost: '{NAME}'; 2 held notes released")
        daemon.sounds(0)
        assert not np.abs(record(tmp_path)).any()
        controller.plug()
        daemon.says(f"controller reconnected: '{NAME}'")
        daemon.hears(controller)
        controller.send(0x90, 76, 100)
        daemon.sounds(1)
        again = record(tmp_path)
        assert abs(cents(pitch(again, RATE, key_hz(76), 100), key_hz(76))) < 1.0
        notes = daemon.status()["notes"]
        assert notes["received"] == 3 == sum(notes["accounts"].values())
        assert (notes["accounts"]["cut"], notes["accounts"]["sounding"]) == (2, 1)
    assert daemon.stop() == 0
    assert "stopped after" in daemon.log
    assert "Traceback" not in daemon.log


def test_status_shows_what_is_played_and_the_log_is_quiet_meanwhile(daemon: Daemon) -> None:
    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        controller.chord(60, 64, 67)
        daemon.sounds(3)
        told = daemon.ask("status")
        assert (told.returncode, told.stderr) == (0, "")
        assert NAME in told.stdout
        assert "3 notes received" in told.stdout
        before = daemon.log.count("\n")
        controller.chord(70, 72)
        daemon.sounds(5)
        assert daemon.log.count("\n") <= before + 1  # underflows of the machine, summed


def test_a_saved_settings_file_takes_effect_while_it_plays(daemon: Daemon, tmp_path: Path) -> None:
    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        controller.chord(60)
        daemon.settings.write_text(SETTINGS + "[tuning]\na4_hz = 415.0\n")
        daemon.says("settings read again")
        controller.send(0x80, 60, 0)
        daemon.retunes(controller, tmp_path, 415.0)
        daemon.settings.write_text("polyphony = 0\n")
        daemon.says("polyphony = 0: must be 1 to 256")
        daemon.says("settings left as they were")
        controller.chord(72)
        daemon.sounds(1)
    assert daemon.stop(signal.SIGINT) == 0


def test_where_it_may_the_players_main_thread_runs_above_all_that_is_not_real_time(
    daemon: Daemon,
) -> None:
    daemon.says("ready:")
    (server,) = children(daemon.process.pid)
    (player,) = children(server)
    refused = daemon.log.partition("playing without ")[2].partition("\n")[0]
    may = "priority FIFO" not in refused
    wanted = (os.SCHED_FIFO, MAIN_PRIORITY) if may else (os.SCHED_OTHER, 0)
    assert (os.sched_getscheduler(player), os.sched_getparam(player).sched_priority) == wanted


def test_sighup_reads_the_settings_again(daemon: Daemon) -> None:
    daemon.process.send_signal(signal.SIGHUP)
    daemon.says("settings read again: 16 voices, sound 'sine'")
    assert daemon.process.poll() is None


def test_a_second_daemon_says_so_in_one_line_and_ends_with_1(daemon: Daemon) -> None:
    second = daemon.ask("run")
    assert second.returncode == 1
    assert len(second.stderr.splitlines()) == 1
    assert str(daemon.process.pid) in second.stderr


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_without_a_sound_card_it_says_so_and_goes_on(
    number: signal.Signals, tmp_path: Path
) -> None:
    daemon = Daemon(tmp_path, JACK_DEFAULT_SERVER="nobody-there", JACK_NO_START_SERVER="1")
    try:
        daemon.says("no sound card", timeout_s=15)
        wait_until(lambda: daemon.ask("status").returncode == 0)
        assert daemon.status()["state"] == "silent"
        assert daemon.log.count("no sound card") == 1
        assert daemon.stop(number) == 0
    finally:
        daemon.close()


def test_systemd_hears_of_being_ready_of_life_and_of_the_end(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """Source: sd_notify(3): READY, STATUS, a ping at half the watchdog's interval, STOPPING."""
    watchdog_us = 2_000_000
    with Manager(str(tmp_path / "notify")) as manager:
        daemon = Daemon(tmp_path, NOTIFY_SOCKET=manager.address, WATCHDOG_USEC=str(watchdog_us))
        try:
            wait_until(lambda: manager.count(PING) >= 4, 20.0)
            assert manager.count("READY=1") == 1
            assert any(text.startswith("STATUS=") for text in manager.told())
            pings = manager.moments(PING)
            assert (
                max(later - sooner for sooner, later in pairwise(pings)) < 0.9 * watchdog_us / 1e6
            )
            daemon.process.terminate()
            wait_until(lambda: manager.count("STOPPING=1") == 1)
            assert daemon.process.wait(10) == 0
        finally:
            daemon.close()


def test_no_process_gets_huge_pages_for_what_it_hardly_uses(daemon: Daemon) -> None:
    """Source: proc(5), THP_enabled."""
    for pid in (daemon.process.pid, daemon.fork_server, daemon.player):
        assert "THP_enabled:\t0" in Path(f"/proc/{pid}/status").read_text()
