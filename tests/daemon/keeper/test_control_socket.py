"""The control socket: one line asked, one line answered, whatever else comes."""

import os
import stat
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from daemon.errors import RunError
from daemon.keeper.control_socket import CLIENTS, LINE_BYTES, ask
from tests.support.served_socket import ServedSocket, connect, exchange


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


def test_one_client_too_many_is_told_and_the_others_are_served(served: ServedSocket) -> None:
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
    with pytest.raises(RunError, match="no partiald runs here; start it with 'partiald run'"):
        ask({"ask": "status"}, [tmp_path / "nobody"])
