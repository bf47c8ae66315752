"""The control socket: one line asked, one line answered, whatever else comes."""

import json
import os
import selectors
import socket
import stat
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from daemon.errors import RunError
from daemon.keeper.control_socket import CLIENTS, LINE_BYTES, ControlServer, Request, ask


class Loop:
    """A server in a thread of its own, as the daemon's loop would serve it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "control"
        self.path.write_text("left by a daemon that died")
        self.answered = 0
        self._selector = selectors.DefaultSelector()
        self.now_s = 0.0
        self.server = ControlServer(
            self.path, self._answer, self._selector, clock_s=lambda: self.now_s
        )
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _answer(self, request: Request) -> dict[str, object]:
        self.answered += 1
        return {"asked": request.ask, "padding": "x" * 1000}

    def _run(self) -> None:
        while not self._ended.is_set():
            for key, events in self._selector.select(0.02):
                key.data(events)
            self.server.tick()

    def answers(self) -> None:
        """Make sure that somebody else is answered."""
        assert ask({"ask": "status"}, [self.path])["asked"] == "status"

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self.server.close()
        self._selector.close()


@pytest.fixture
def loop(tmp_path: Path) -> Iterator[Loop]:
    made = Loop(tmp_path)
    yield made
    made.close()


def connect(loop: Loop) -> socket.socket:
    wire = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    wire.settimeout(5)
    wire.connect(str(loop.path))
    return wire


def exchange(loop: Loop, content: bytes) -> dict[str, object]:
    with connect(loop) as wire:
        wire.sendall(content)
        with wire.makefile("rb") as lines:
            answer: dict[str, object] = json.loads(lines.readline())
            return answer


def test_a_request_is_answered_in_one_line(loop: Loop) -> None:
    assert ask({"ask": "status"}, [loop.path])["asked"] == "status"


def test_only_owner_and_group_may_ask(loop: Loop) -> None:
    mode = os.stat(loop.path).st_mode
    assert stat.S_ISSOCK(mode)
    assert stat.S_IMODE(mode) == 0o660


@pytest.mark.parametrize(
    "content",
    [
        b"garbage\n",
        b"{}\n",
        b'{"ask": "everything"}\n',
        b'{"ask": "status", "file": "/etc"}\n',
        b"\xff\xfe\n",
        b"[1]\n",
        b"\n",
        b'{"ask": 1}\n',
    ],
)
def test_garbage_is_answered_with_a_fault_and_harms_nobody(loop: Loop, content: bytes) -> None:
    assert set(exchange(loop, content)) == {"error"}
    assert loop.answered == 0
    assert ask({"ask": "status"}, [loop.path])["asked"] == "status"


def test_a_line_without_end_is_cut_off_at_64_kib(loop: Loop) -> None:
    assert LINE_BYTES == 65536
    answer = exchange(loop, b"x" * (LINE_BYTES + 10))
    assert "at most 65536 bytes" in str(answer["error"])


def test_one_client_too_many_is_told_and_the_others_are_served(loop: Loop) -> None:
    crowd = [connect(loop) for _ in range(CLIENTS)]
    for wire in crowd:
        wire.sendall(b'{"ask": "status"}\n')
        assert wire.recv(16)
    with pytest.raises(RunError):
        ask({"ask": "status"}, [loop.path])
    for wire in crowd:
        wire.close()
    for _ in range(100):
        try:
            ask({"ask": "status"}, [loop.path])
            break
        except RunError:
            continue
    else:
        raise AssertionError("the places were never free again")


def test_a_client_that_never_reads_is_dropped(loop: Loop) -> None:
    with connect(loop) as wire:
        wire.settimeout(0.2)
        with suppress(OSError):  # a full pipe or a closed one: both are right
            for _ in range(100_000):
                wire.sendall(b'{"ask": "status"}\n' * 50)
        loop.now_s += 3600
        assert ask({"ask": "status"}, [loop.path])["asked"] == "status"


def test_without_a_daemon_one_line_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="no partiald runs here; start it with 'partiald run'"):
        ask({"ask": "status"}, [tmp_path / "nobody"])
