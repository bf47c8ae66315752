"""`partiald play`: when each message of a song is sent, and what stops it."""

import signal
import struct
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.commands.play import Player
from daemon.offline.midi_file import Song
from tests.support.daemon_process import Daemon, running
from tests.support.jack_server import JackServer
from tests.support.waiting import wait_until


class Taken:
    """A daemon that takes down what it is sent; a clock that it can hold up."""

    def __init__(self, stopped_at: int | None = None) -> None:
        self.now_s = 100.0
        self.sent: list[tuple[float, str]] = []
        self.asked_s: list[float] = []
        self.hold_up_s: dict[int, float] = {}
        self._stopped_at = stopped_at

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        self.asked_s.append(self.now_s)
        for at_us, message in request["messages"]:
            self.sent.append((at_us / 1e6, message))
        self.now_s += self.hold_up_s.pop(len(self.sent), 0.0)
        return {"controller": 2, "stopped": len(self.sent) == self._stopped_at}

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds

    def play(self, *events: tuple[float, str], length_s: float = 0.0) -> Player:
        timed = [(at, bytes.fromhex(message)) for at, message in events]
        song = Song(timed, length_s or timed[-1][0], 1, [])
        self.player = Player(song, "market.mid", self, lambda: self.now_s, self.sleep)
        self.ended = self.player.play()
        return self.player


def test_each_message_is_sent_when_it_is_due_with_its_time() -> None:
    taken = Taken()
    taken.play((0.0, "903c40"), (0.5, "803c40"), (0.5, "904040"), (1.25, "804040"))
    times = [at - taken.sent[0][0] for at, _ in taken.sent]
    assert times == pytest.approx([0.0, 0.5, 0.5, 1.25])
    assert taken.player.notes == 2
    assert taken.ended


def test_in_a_long_rest_it_shows_that_it_is_alive() -> None:
    taken = Taken()
    taken.play((0.0, "903c40"), (9.0, "803c40"), length_s=20.0)
    waits = [b - a for a, b in zip(taken.asked_s, taken.asked_s[1:], strict=False)]
    assert max(waits) <= 0.51
    assert taken.now_s >= 120.0


def test_held_up_it_goes_on_from_there_and_does_not_hurry() -> None:
    taken = Taken()
    taken.hold_up_s = {1: 30.0}
    taken.play((0.0, "903c40"), (1.0, "803c40"), (2.0, "904040"))
    assert taken.sent[2][0] - taken.sent[1][0] == pytest.approx(1.0)


def test_a_panic_stops_it() -> None:
    taken = Taken(stopped_at=2)
    taken.play((0.0, "903c40"), (1.0, "803c40"), (2.0, "904040"))
    assert not taken.ended
    assert len(taken.sent) == 2


def test_system_exclusive_messages_stay_at_home() -> None:
    taken = Taken()
    taken.play((0.0, "f07e7f0901f7"), (0.0, "903c40"))
    assert [message for _, message in taken.sent] == ["903c40"]


def midi_file(path: Path, hold: int) -> Path:
    """Write two notes that are held for some quarters; the second one is never ended."""
    body = bytes.fromhex("00 903c64 00 904064")
    body += bytes((0x80 | hold >> 1, hold << 6 & 0x40)) + bytes.fromhex("803c40 00 ff2f00")
    head = b"MThd" + struct.pack(">IHHH", 6, 0, 1, 64)
    path.write_bytes(head + b"MTrk" + struct.pack(">I", len(body)) + body)
    return path


@pytest.fixture
def daemon(jack_server: JackServer, tmp_path: Path) -> Iterator[Daemon]:
    with running(tmp_path) as made:
        yield made


@pytest.mark.gig
def test_a_song_plays_through_the_running_daemon_to_its_end(daemon: Daemon, tmp_path: Path) -> None:
    done = daemon.ask("play", str(midi_file(tmp_path / "market.mid", hold=1)))
    assert (done.returncode, done.stderr) == (0, "")
    assert "played to its end after 0.5 s: 2 notes" in done.stdout
    daemon.says("the song is over: 'market.mid', 2 notes")
    daemon.sounds(0)
    accounts = daemon.status()["notes"]["accounts"]
    assert {name: count for name, count in accounts.items() if count} == {"released": 2}


@pytest.mark.gig
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL, "panic"])
def test_whatever_stops_a_song_nothing_hangs(
    daemon: Daemon, tmp_path: Path, how: signal.Signals | str
) -> None:
    song = midi_file(tmp_path / "market.mid", hold=120)
    command = daemon.command("play", str(song))
    playing = subprocess.Popen(
        command, cwd=tmp_path, env=daemon.environment, stdout=subprocess.PIPE, text=True
    )
    daemon.sounds(2)
    if how == "panic":
        assert daemon.ask("panic").stdout == "Every note was ended.\n"
    else:
        assert isinstance(how, signal.Signals)
        playing.send_signal(how)
    out, _ = playing.communicate(timeout=20)
    daemon.sounds(0)
    accounts = daemon.status()["notes"]["accounts"]
    kept = {name: count for name, count in accounts.items() if count}
    assert kept == ({"cut": 2} if how == "panic" else {"released": 2})
    if how == "panic":
        wait_until(lambda: daemon.ask("why").stdout.count("s: panic\n") == 2)
        assert "2 notes received: 2 cut" in daemon.ask("why").stdout
    if how != signal.SIGKILL:
        assert playing.returncode == 0
        assert "stopped" in out


@pytest.mark.gig
def test_a_song_that_freezes_is_let_go(daemon: Daemon, tmp_path: Path) -> None:
    song = midi_file(tmp_path / "market.mid", hold=120)
    command = daemon.command("play", str(song))
    playing = subprocess.Popen(command, cwd=tmp_path, env=daemon.environment)
    daemon.sounds(2)
    playing.send_signal(signal.SIGSTOP)
    began_s = time.monotonic()
    try:
        wait_until(lambda: daemon.status()["voices"]["now"] == 0, 10.0)
        assert time.monotonic() - began_s < 6.0
    finally:
        playing.kill()
        playing.wait()
