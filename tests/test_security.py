"""What others on the same machine can do to the daemon: nothing, or next to nothing."""

import json
import os
import shutil
import socket
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.control.ask import ask
from daemon.control.control_socket import CLIENTS, LINE_BYTES
from daemon.control.instance_lock import InstanceLock
from daemon.storage.event_file import EventFile
from tests.support.command import ROOT
from tests.support.served_socket import ServedSocket, connect, exchange

STRANGER, GROUP = 65_534, 64_321
"""A user and a group that own nothing here."""

ATTEMPTS = """
import fcntl, os, socket, sys
folder, stranger, *groups = sys.argv[1:]
# Only now: the interpreter may stand in a folder that a stranger can't get into.
os.setgroups([int(group) for group in groups])
os.setgid(int(stranger))
os.setuid(int(stranger))
def reach():
    socket.socket(socket.AF_UNIX).connect(folder + "/control")
def hold():
    fcntl.flock(os.open(folder + "/lock", os.O_RDONLY), fcntl.LOCK_EX | fcntl.LOCK_NB)
def look():
    open(folder + "/happened", "rb").read()
def change():
    os.open(folder + "/happened", os.O_WRONLY)
def replace():
    os.unlink(folder + "/control")
def plant():
    os.symlink("/etc/passwd", folder + "/control2")
for attempt in (reach, hold, look, change, replace, plant):
    try:
        attempt()
        print(attempt.__name__)
    except PermissionError:
        pass
    except OSError as error:
        print(attempt.__name__, "failed otherwise:", error)
"""


def managed(folder: Path, *groups: int) -> list[str]:
    """Return which attempts a stranger managed; without root, those that the modes would let."""
    if os.getuid() != 0:
        paths = [folder, *folder.iterdir()]
        return [str(path) for path in paths if stat.S_IMODE(path.lstat().st_mode) & 0o007]
    done = subprocess.run(
        [sys.executable, "-c", ATTEMPTS, str(folder), str(STRANGER), *map(str, groups)],
        capture_output=True,
        text=True,
        timeout=20,
        check=True,
        cwd="/",
    )
    return done.stdout.split("\n")[:-1]


@pytest.fixture
def runtime() -> Iterator[Path]:
    """A folder that anybody can get to, as /run is."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder / "partiald"
    shutil.rmtree(folder)


def settled(folder: Path) -> tuple[InstanceLock, ServedSocket]:
    lock = InstanceLock([folder / "control"])
    EventFile(folder / "happened", "one").begin(1, 0)
    return lock, ServedSocket(folder)


@pytest.mark.gig
def test_a_user_without_the_group_can_do_nothing(runtime: Path) -> None:
    lock, served = settled(runtime)
    try:
        assert managed(runtime) == []
        # Nor if the folder were open to all: the files in it are not.
        runtime.chmod(0o755)
        if os.getuid() == 0:
            assert managed(runtime) == []
    finally:
        served.close()
        lock.release()


@pytest.mark.gig
def test_a_member_of_the_group_can_ask_and_look_and_no_more(runtime: Path) -> None:
    lock, served = settled(runtime)
    try:
        if os.getuid() == 0:
            for path in (runtime, *runtime.iterdir()):
                os.chown(path, 0, GROUP)
            # The lock is taken, so it can't be held either.
            assert managed(runtime, GROUP) == [
                "reach",
                "hold failed otherwise: [Errno 11] Resource temporarily unavailable",
                "look",
            ]
        assert stat.S_IMODE((runtime / "control").stat().st_mode) == 0o660
    finally:
        served.close()
        lock.release()


def test_nothing_of_ours_listens_on_a_network() -> None:
    unit = (ROOT / "systemd" / "partiald.service").read_text("utf-8")
    for line in ("PrivateNetwork=yes", "RestrictAddressFamilies=AF_UNIX", "IPAddressDeny=any"):
        assert line in unit.splitlines() or any(
            each.startswith(line.split("AF_UNIX")[0]) and "AF_INET" not in each
            for each in unit.splitlines()
        )
    for path in (ROOT / "daemon").rglob("*.py"):
        assert "AF_INET" not in path.read_text("utf-8"), path


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedSocket]:
    made = ServedSocket(tmp_path)
    yield made
    made.close()


def descriptors() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_a_thousand_connections_cost_a_few_places_and_leave_nothing_behind(
    served: ServedSocket,
) -> None:
    before = descriptors()
    for _ in range(1000):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as wire:
            wire.connect(str(served.path))
    for _ in range(50):
        if descriptors() <= before + CLIENTS:
            break
        served.answers()
    assert descriptors() <= before + CLIENTS
    served.answers()


def test_who_takes_every_place_and_says_nothing_keeps_nobody_out(served: ServedSocket) -> None:
    crowd = [connect(served) for _ in range(CLIENTS)]
    for wire in crowd:
        wire.sendall(b'{"ask": "status"}\n')
        assert wire.recv(16)
    served.now_s += 2
    served.answers()
    for wire in crowd:
        wire.close()


@pytest.mark.parametrize(
    "request_line",
    [
        b'{"ask": "status", "file": "/etc/shadow"}\n',
        b'{"ask": "why", "boot": "/etc/shadow"}\n',
        b'{"ask": "why", "last": 100000000}\n',
        b'{"ask": "why", "boot": 1e400}\n',
        b'{"ask": "__import__"}\n',
        b"[" * 20_000 + b"\n",
        b'{"ask": "' + b"x" * (LINE_BYTES - 20) + b'"}\n',
    ],
)
def test_no_path_no_code_and_no_number_out_of_range_gets_past_the_models(
    served: ServedSocket, request_line: bytes
) -> None:
    answer = exchange(served, request_line)
    assert set(answer) == {"error"}
    assert len(json.dumps(answer)) < 1000
    assert served.answered == 0


def test_a_line_that_is_too_long_is_not_remembered(served: ServedSocket) -> None:
    with connect(served) as wire:
        sent = 0
        try:
            while sent < 100 * LINE_BYTES:
                sent += wire.send(b"x" * 4096)
        except OSError:
            pass
        assert sent < 20 * LINE_BYTES
    served.answers()


def test_a_socket_of_another_kind_is_no_way_in(served: ServedSocket) -> None:
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as wire,
        pytest.raises(OSError, match="wrong type"),
    ):
        wire.connect(str(served.path))
    assert ask({"ask": "status"}, [served.path])["asked"] == "status"
