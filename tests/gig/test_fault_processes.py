"""Processes that are killed, stopped or stormed with signals, while somebody plays."""

import itertools
import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from functools import partial
from pathlib import Path

import pytest

from daemon.errors import RunError
from tests.support.daemon_process import Daemon, belongings, gone, running
from tests.support.fault_table import FaultLog
from tests.support.jack_server import JackServer
from tests.support.service_manager import PING, Manager
from tests.support.virtual_controller import VirtualController
from tests.support.waiting import next_line, wait_until

ABUSE = (
    b"nonsense\n",
    b"\0\xff" * 1000 + b"\n",
    b'{"ask": "status", "path": "/etc/passwd"}\n',
    b"[" * 60_000 + b"\n",
    b"x" * 200_000,
    b'{"ask": "status"}\n' * 2_000,  # and never reads
)


@pytest.fixture
def daemon(jack_server: JackServer, tmp_path: Path) -> Iterator[Daemon]:
    with running(tmp_path) as made:
        yield made


@pytest.fixture
def keys(daemon: Daemon) -> Iterator[VirtualController]:
    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        yield controller


def playing(daemon: Daemon) -> bool:
    return bool(daemon.status()["state"] == "playing")


def test_a_player_killed_at_any_moment_is_replaced_and_no_note_is_lost_from_the_count(
    daemon: Daemon, keys: VirtualController
) -> None:
    """Also while it is about to begin; every note-on that came in stands in an account."""
    chance = random.Random(11)
    before = daemon.status()["messages"]
    watch = FaultLog("player killed", lambda: daemon.log)
    key, sent = itertools.cycle(range(40, 90)), 0
    for _ in range(4):
        until = time.monotonic() + chance.uniform(0.0, 0.2)
        while time.monotonic() < until:
            keys.chord(next(key))
            sent += 1
        os.kill(daemon.player, signal.SIGKILL)
        keys.chord(next(key))
        sent += 1
        wait_until(lambda: not playing(daemon))
    watch.wait_for_all()
    wait_until(lambda: playing(daemon))
    wait_until(lambda: daemon.status()["messages"] == before + sent)
    daemon.plays(keys, 39)
    # Nothing but note-ons was sent, and each of them stands in an account.
    assert daemon.status()["notes"]["received"] == sent + 1 > 20


def test_when_the_keeper_is_killed_no_process_stays_and_the_next_one_plays(
    daemon: Daemon, keys: VirtualController, tmp_path: Path
) -> None:
    daemon.plays(keys, 60, 64)
    orphans = [daemon.fork_server, daemon.player]
    daemon.process.kill()
    for pid in orphans:
        wait_until(partial(gone, pid), 2.0)
    # What systemd does next; lock and socket of the killed one are in nobody's way.
    another = Daemon(tmp_path)
    try:
        watch = FaultLog("keeper killed", lambda: another.log, at=0)
        watch.wait_for_all(15.0)
        another.hears(keys)
        another.plays(keys, 67)
    finally:
        another.close()


def test_a_keeper_that_stands_still_is_not_vouched_for_and_the_player_plays_on(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """Source: sd_notify(3), WATCHDOG=1; systemd.service(5): the watchdog's signal is SIGABRT.

    On a server that does not wait for a client that stands still, as a card does not.
    """
    jack_server.stop()
    jack_server.start(synchronous=False)
    with Manager(str(tmp_path / "notify")) as manager:
        daemon = Daemon(tmp_path, NOTIFY_SOCKET=manager.address, WATCHDOG_USEC="600000")
        try:
            daemon.says("ready:", timeout_s=15)
            watch = FaultLog("keeper stuck", lambda: daemon.log)
            fork_server, player = daemon.fork_server, daemon.player
            pings = manager.count(PING)
            wait_until(lambda: manager.count(PING) > pings, 0.6)
            daemon.process.send_signal(signal.SIGSTOP)
            pings = manager.count(PING)
            with pytest.raises(AssertionError):
                wait_until(lambda: manager.count(PING) > pings, 0.8)
            # The sound does not hang on it.
            assert not gone(player)
            used = cpu_ticks(player)
            wait_until(lambda: cpu_ticks(player) > used)
            daemon.process.send_signal(signal.SIGABRT)
            daemon.process.send_signal(signal.SIGCONT)
            assert daemon.process.wait(5) == -signal.SIGABRT
            for pid in (fork_server, player):
                wait_until(partial(gone, pid), 2.0)
            watch.wait_for_all()
        finally:
            daemon.process.send_signal(signal.SIGCONT)
            daemon.close()


def cpu_ticks(pid: int) -> int:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return int(fields[11]) + int(fields[12])


def test_a_storm_of_hangup_signals_neither_ends_a_note_nor_fills_the_log(stage: Daemon) -> None:
    before = len(stage.log)
    watch = FaultLog("storm of signals to read the settings again", lambda: stage.log)
    stage.is_unplugged()
    with VirtualController() as keys:
        wait_until(lambda: stage.status()["controllers"])
        stage.hears(keys)
        stage.plays(keys, 60)
        for _ in range(200):
            stage.process.send_signal(signal.SIGHUP)
            time.sleep(0.002)  # slow enough that most of them are a signal of their own
        watch.wait_for_all()
        stage.plays(keys, 64)
    assert stage.log[before:].count("settings read again") == 1


def test_an_abused_control_socket_costs_the_sound_nothing(stage: Daemon) -> None:
    watch = FaultLog("control socket misused", lambda: stage.log)
    assert watch.row.lines == []
    before = stage.log
    stage.is_unplugged()
    with VirtualController() as keys, ExitStack() as wires:
        wait_until(lambda: stage.status()["controllers"])
        stage.hears(keys)
        stage.plays(keys, 60)
        said = len(stage.log)
        held = belongings(stage)
        for content in [*ABUSE, *[b""] * 1000]:
            wire = wires.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM))
            wire.settimeout(5)
            with suppress(OSError):  # it may be shut while we pour
                wire.connect(str(stage.settings.parent / "control"))
                wire.sendall(content)
            if content:
                wire.close()
        wires.close()
        wait_until(lambda: answers(stage))
        stage.plays(keys, 64)
    assert stage.log[said:].count("\n") <= 3, before
    assert stage.process.poll() is None
    wait_until(lambda: belongings(stage)["descriptors"] <= held["descriptors"])


FLOOD = """
import selectors, socket, sys
wires = selectors.DefaultSelector()
for _ in range(15):
    wire = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    wire.connect(sys.argv[1])
    wire.setblocking(False)
    wires.register(wire, selectors.EVENT_READ | selectors.EVENT_WRITE)
print("flooding", flush=True)
while True:
    for key, events in wires.select():
        try:
            if events & selectors.EVENT_WRITE:
                key.fileobj.send(b'{"ask": "why", "last": 1000}\\n' * 2000)
            if events & selectors.EVENT_READ:
                key.fileobj.recv(1 << 16)
        except BlockingIOError:
            pass
"""


def test_a_flood_from_as_many_clients_as_there_may_be_keeps_the_watchdog_fed(
    jack_server: JackServer, tmp_path: Path
) -> None:
    with Manager(str(tmp_path / "notify")) as manager, VirtualController() as keys:
        daemon = Daemon(tmp_path, NOTIFY_SOCKET=manager.address, WATCHDOG_USEC="2000000")
        flood = None
        try:
            daemon.says("ready:", timeout_s=15)
            daemon.hears(keys)
            command = [sys.executable, "-c", FLOOD, str(tmp_path / "control")]
            flood = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            assert next_line(flood) == "flooding\n"
            began = time.monotonic()
            wait_until(lambda: manager.told() and time.monotonic() - began > 6.0, 20.0)
            assert flood.poll() is None
            pings = [at for at in manager.moments(PING) if at >= began]
            gaps = [later - at for at, later in itertools.pairwise([began, *pings])]
            assert max(gaps) < 2.0
            daemon.plays(keys, 60)
            assert daemon.process.poll() is None
        finally:
            if flood is not None:
                flood.kill()
                flood.communicate()
            daemon.close()


def answers(daemon: Daemon) -> bool:
    try:
        return bool(daemon.status())
    except RunError:
        return False


def test_neither_fork_server_nor_player_holds_the_lock(daemon: Daemon) -> None:
    """Or a player that is stuck in the kernel would keep the next daemon from starting."""
    holders = []
    for pid in (daemon.process.pid, daemon.fork_server, daemon.player):
        files = [os.readlink(each) for each in Path(f"/proc/{pid}/fd").iterdir()]
        if any(name.endswith("/lock") for name in files):
            holders.append(pid)
    assert holders == [daemon.process.pid]


def test_of_two_daemons_started_at_once_one_plays_and_the_other_says_so(
    jack_server: JackServer, tmp_path: Path
) -> None:
    first, second = Daemon(tmp_path), Daemon(tmp_path, log="second.txt")
    both = (first, second)
    try:
        wait_until(lambda: any(each.process.poll() is not None for each in both), 15.0)
        loser, winner = sorted(both, key=lambda each: each.process.poll() is None)
        assert loser.process.returncode == 1
        assert len(loser.log.splitlines()) == 1
        FaultLog("partiald started twice", lambda: loser.log, at=0).wait_for_all()
        winner.says("ready:", timeout_s=15)
        assert winner.stop() == 0
    finally:
        first.close()
        second.close()
