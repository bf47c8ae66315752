"""`partiald why` of the whole daemon: a process, a real MIDI port, a real stream."""

import json
import re
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.storage import event_file
from tests.support.command import fault_of, partiald
from tests.support.daemon_process import Daemon, running
from tests.support.jack_server import JackServer
from tests.support.virtual_controller import NAME, VirtualController
from tests.support.waiting import next_line, wait_until

pytestmark = pytest.mark.gig

SETTINGS = "polyphony = 2\n[controller]\nchannels = [1]\n[audio]\nblock_frames = 128\n"
STOLEN = re.compile(
    r"boot 1, \d:\d\d:\d\d\.\d: C4 \(60\) on channel 1 gave its voice to G4 after \d+\.\d s; "
    r"polyphony = 3 would have kept it: (\d+ %|less than 1 %) more of each block's time"
)


@pytest.fixture
def daemon(jack_server: JackServer, tmp_path: Path) -> Iterator[Daemon]:
    with running(tmp_path, SETTINGS) as made:
        yield made


def why(daemon: Daemon, *words: str) -> list[str]:
    done = daemon.ask("why", *words)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.splitlines()


def test_a_lost_note_is_explained_by_the_daemon_and_without_it(
    jack_server: JackServer, daemon: Daemon, tmp_path: Path
) -> None:
    with VirtualController() as controller:
        daemon.says(f"controller connected: '{NAME}'")
        daemon.hears(controller)
        for key in (60, 64):
            controller.send(0x90, key, 100)
        daemon.sounds(2)
        # Long enough for what two voices take to be measured.
        blocks = daemon.status()["blocks"]
        wait_until(lambda: daemon.status()["blocks"] > blocks + 500)
        controller.send(0x90, 67, 100)
        wait_until(lambda: daemon.status()["notes"]["accounts"]["stolen"] == 1)
        for key in (60, 64, 67):
            controller.send(0x80, key, 0)
        controller.send(0x91, 50, 100)
        daemon.says("1 note gave way to newer ones")
        told = why(daemon)
        assert any(STOLEN.fullmatch(line) for line in told), told
        assert any(
            "D3 (50) on channel 2 was not played: its channel is not listened to; "
            "[controller] channels = [1, 2] would play it" in line
            for line in told
        ), told
        place = tmp_path / "happened"
        # Nobody plays now: it is written by itself.
        wait_until(lambda: any("gave its" in each.text for each in event_file.read(place)), 15.0)
        assert why(daemon, "--boot", "-1") == ["that boot: nothing is recorded"]
    elsewhere = tmp_path / "nobody"
    elsewhere.mkdir()
    alone = partiald(
        "why", cwd=tmp_path, RUNTIME_DIRECTORY=str(elsewhere), STATE_DIRECTORY=str(tmp_path)
    )
    assert any(STOLEN.fullmatch(line) for line in alone.stdout.splitlines()), alone


def test_without_a_daemon_and_with_nothing_kept_it_says_how_to_start_one(tmp_path: Path) -> None:
    here = str(tmp_path)
    done = partiald("why", cwd=tmp_path, RUNTIME_DIRECTORY=here, STATE_DIRECTORY=here)
    assert "partiald run" in fault_of(done)


def test_status_follows_into_a_pipe_in_blocks_and_ctrl_c_ends_it_cleanly(daemon: Daemon) -> None:
    command = daemon.command("status", "--follow")
    with subprocess.Popen(
        command, env=daemon.environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as following:
        lines: list[str] = []
        while sum(line.startswith("running ") for line in lines) < 2:
            lines.append(next_line(following))
        following.send_signal(signal.SIGINT)
        rest, fault = following.communicate(timeout=10)
    assert (following.returncode, fault) == (0, "")
    assert "\x1b" not in "".join(lines) + rest
    assert "\n" in lines


def test_the_status_over_the_socket_is_the_one_for_programs(daemon: Daemon) -> None:
    told = json.loads(daemon.ask("status", "--json").stdout)
    assert told.keys() == daemon.status().keys()
    assert (told["format"], told["boot"]) == (1, 1)
