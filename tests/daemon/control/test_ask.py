"""Whom a client believes, and what it shows of the reply."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.control.ask import NOBODY, ask
from daemon.control.instance_lock import trusted_users
from daemon.control.requests import Request
from daemon.errors import RunError
from tests.support.planted import OWN, planted
from tests.support.served_socket import ServedSocket


class Strange(ServedSocket):
    """A daemon in whose reply is whatever its devices call themselves."""

    def _answer(self, request: Request, client: int) -> dict[str, object]:
        return {"names": [{"na\x1bme": "Keys\x1b]0;mine\x07\n25"}], "count": 3, "none": None}


@pytest.fixture
def served(tmp_path: Path) -> Iterator[ServedSocket]:
    made = Strange(tmp_path)
    yield made
    made.close()


def test_all_text_of_a_reply_is_printable(served: ServedSocket) -> None:
    assert ask({"ask": "status"}, [served.path]) == {
        "names": [{r"na\x1bme": r"Keys\x1b]0;mine\x07\n25"}],
        "count": 3,
        "none": None,
    }


def test_a_socket_that_somebody_planted_is_not_asked(tmp_path: Path) -> None:
    folder = planted(tmp_path / f"partiald-{OWN}")
    served = Strange(folder)
    try:
        with pytest.raises(RunError, match="belongs to another user, so it is not asked"):
            ask({"ask": "status"}, [served.path], own=OWN)
        assert served.answered == 0
    finally:
        served.close()


def test_a_folder_is_believed_where_nobody_else_can_have_made_it(tmp_path: Path) -> None:
    own = os.getuid()
    assert trusted_users(planted(tmp_path / "stranger"), OWN) == set()
    mine = tmp_path / "mine"
    mine.mkdir()
    assert trusted_users(mine) == {0, own}
    # As the service's folder in /run: its owner is another, its place is root's alone.
    assert trusted_users(Path("/usr/bin"), OWN) == {0, OWN, Path("/usr/bin").stat().st_uid}
    (tmp_path / "link").symlink_to(mine)
    assert trusted_users(tmp_path / "link") == set()
    assert trusted_users(tmp_path / "missing") == set()


def test_where_there_is_no_socket_nobody_runs(tmp_path: Path) -> None:
    with pytest.raises(RunError) as fault:
        ask({"ask": "status"}, [tmp_path / "missing/control", tmp_path / "control"])
    assert str(fault.value) == NOBODY
