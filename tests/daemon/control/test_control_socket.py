"""The control socket: one line asked, one line answered, whatever else comes."""

import os
import selectors
import socket
import stat
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from daemon.control.ask import ask
from daemon.control.control_socket import CLIENTS, LINE_BYTES, ControlServer
from daemon.control.requests import Request
from daemon.errors import RunError
from tests.support.served_socket import ServedSocket, connect, exchange


class TurnByTurn:
    """A server whose loop goes round when told, and what it answered in each turn."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.answered = 0
        self._selector = selectors.DefaultSelector()
        self._server = ControlServer(path, self._answer, self._selector, lambda: 0.0)

    def _answer(self, request: Request, client: int) -> dict[str, object]:
        self.answered += 1
        return {"padding": "x" * 10_000}

    def turn(self) -> int:
        """Go round once; return how many requests were answered."""
        before = self.answered
        for key, events in self._selector.select(0):
            key.data(events)
        return self.answered - before

    def close(self) -> None:
        self._server.close()
        self._selector.close()


@pytest.fixture
def loop(tmp_path: Path) -> Iterator[TurnByTurn]:
    made = TurnByTurn(tmp_path / "control")
    yield made
    made.close()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedSocket]:
    made = ServedSocket(tmp_path)
    yield made
    made.close()


def test_a_request_is_answered_in_one_line(served: ServedSocket) -> None:
    assert ask({"ask": "status"}, [served.path])["asked"] == "status"


def test_only_owner_and_group_may_ask(served: ServedSocket) -> None:
    mode = os.stat(served.path).st_mode
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
def test_garbage_is_answered_with_a_fault_and_harms_nobody(
    served: ServedSocket, content: bytes
) -> None:
    assert set(exchange(served, content)) == {"error"}
    assert served.answered == 0
    assert ask({"ask": "status"}, [served.path])["asked"] == "status"


def test_a_line_without_end_is_cut_off_at_64_kib(served: ServedSocket) -> None:
    assert LINE_BYTES == 65536
    answer = exchange(served, b"x" * (LINE_BYTES + 10))
    assert "at most 65536 bytes" in str(answer["error"])


@pytest.mark.parametrize("end", [b"", b"\n"])
def test_who_sends_too_long_a_line_is_told_so_and_let_out(loop: TurnByTurn, end: bytes) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as wire:
        wire.settimeout(5)
        wire.connect(str(loop.path))
        wire.sendall(b"x" * (LINE_BYTES + 10) + end)
        for _ in range(8):
            loop.turn()
        with wire.makefile("rb") as lines:
            assert b"at most 65536 bytes" in lines.readline()
            assert lines.readline() == b""
    assert loop.answered == 0


def test_one_client_too_many_is_told_so_and_the_others_are_served(served: ServedSocket) -> None:
    crowd = [connect(served) for _ in range(CLIENTS)]
    for wire in crowd:
        wire.sendall(b'{"ask": "status"}\n')
        assert wire.recv(16)
    with pytest.raises(RunError):
        ask({"ask": "status"}, [served.path])
    for wire in crowd:
        wire.close()
    for _ in range(100):
        try:
            ask({"ask": "status"}, [served.path])
            break
        except RunError:
            continue
    else:
        raise AssertionError("the places were never free again")


def test_a_client_that_never_reads_is_dropped(served: ServedSocket) -> None:
    with connect(served) as wire:
        wire.settimeout(0.2)
        with suppress(OSError):  # a full pipe or a closed one: both are right
            for _ in range(100_000):
                wire.sendall(b'{"ask": "status"}\n' * 50)
        served.now_s += 3600
        assert ask({"ask": "status"}, [served.path])["asked"] == "status"


def test_without_a_daemon_one_line_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="partiald is not running; start it with 'partiald run'"):
        ask({"ask": "status"}, [tmp_path / "nobody"])


def test_a_flood_is_answered_one_request_a_client_and_turn_and_in_full(loop: TurnByTurn) -> None:
    requests = 50
    wires = [socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) for _ in range(3)]
    for wire in wires:
        wire.connect(str(loop.path))
        wire.sendall(b'{"ask": "status"}\n' * requests)
        wire.shutdown(socket.SHUT_WR)
        wire.setblocking(False)
    turns, heard = [], 0
    for _ in range(4 * requests):
        turns.append(loop.turn())
        for wire in wires:
            with suppress(BlockingIOError):
                heard += wire.recv(1 << 20).count(b"\n")
        if heard == requests * len(wires):
            break
    assert heard == sum(turns) == requests * len(wires)
    assert max(turns) == len(wires)
    for wire in wires:
        wire.close()


def test_a_request_that_comes_in_pieces_is_answered_when_its_line_is_whole(
    loop: TurnByTurn,
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as wire:
        wire.connect(str(loop.path))
        for piece in (b'{"ask": ', b'"status"', b"}"):
            wire.sendall(piece)
            assert [loop.turn() for _ in range(3)] == [0, 0, 0]
        wire.sendall(b"\n")
        assert sum(loop.turn() for _ in range(3)) == 1


def test_of_a_client_that_does_not_read_no_more_is_taken(loop: TurnByTurn) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as wire:
        wire.setblocking(False)
        wire.connect(str(loop.path))
        for _ in range(200):
            with suppress(BlockingIOError):
                wire.send(b'{"ask": "status"}\n' * 500)
            loop.turn()
        assert [loop.turn() for _ in range(5)] == [0] * 5
        assert 0 < loop.answered < 100
        # What waits for it is one answer; it gets all of them once it reads.
        for _ in range(1000):
            with suppress(BlockingIOError):
                wire.recv(1 << 20)
            loop.turn()
        assert loop.answered > 500


def test_the_server_says_which_client_has_left(tmp_path: Path) -> None:
    selector = selectors.DefaultSelector()
    asked: list[int] = []
    left: list[int] = []
    now_s = 0.0

    def answer(request: Request, client: int) -> dict[str, object]:
        asked.append(client)
        return {}

    server = ControlServer(
        tmp_path / "control",
        answer,
        selector,
        lambda: now_s,
        left=left.append,
    )

    def turns() -> None:
        for _ in range(4):
            for key, events in selector.select(0.01):
                key.data(events)

    wires = [socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) for _ in range(2)]
    for wire in wires:
        wire.connect(str(tmp_path / "control"))
        wire.sendall(b'{"ask": "play"}\n')
        turns()
    wires[0].close()
    turns()
    assert (asked, left) == ([1, 2], [1])
    now_s = 3.5  # who plays must show that it is alive
    server.tick()
    assert left == [1, 2]
    wires[1].close()
    server.close()
    selector.close()


@pytest.mark.parametrize(
    "message", ["903c", "903cff", "f07e7ff7", "c00540", "3c40", "b0 0740", "90"]
)
def test_only_whole_messages_of_channels_are_played(served: ServedSocket, message: str) -> None:
    asked = '{"ask": "play", "messages": [[1, "%s"]]}\n' % message  # noqa: UP031
    assert set(exchange(served, asked.encode())) == {"error"}
    assert served.answered == 0


def test_who_is_gone_before_its_turn_is_forgotten(loop: TurnByTurn) -> None:
    for _ in range(2 * CLIENTS):
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as wire:
            wire.connect(str(loop.path))
            wire.sendall(b'{"ask": "status"}\n' * 5)
            loop.turn()
            loop.turn()
        for _ in range(4):
            loop.turn()
    assert loop.answered > 0
