"""`partiald shape` as a process: in a real pseudo-terminal, line by line, on the running daemon."""

import fcntl
import io
import os
import pty
import select
import struct
import subprocess
import termios
import time
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path

import pytest

from daemon.__main__ import main
from tests.support.command import command, environment
from tests.support.daemon_process import Daemon, partials_db, running
from tests.support.jack_server import JackServer
from tests.support.virtual_controller import VirtualController
from tests.support.waiting import wait_until

SETTINGS = (
    '[audio]\nblock_frames = 128\n[sound]\nname = "flat64"\n[room]\nlevel_db = -80.0\n'
    "[cues]\nready = false\ncontroller = false\nsettings = false\n"
)


class Terminal:
    """A pseudo-terminal of 80 columns and 24 rows with a program in it."""

    def __init__(self, folder: Path, *words: str, **more: str) -> None:
        self.ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        surroundings = environment() | {"TERM": "xterm-256color", "NO_COLOR": "1", **more}
        self.process = subprocess.Popen(
            command(*words),
            cwd=folder,
            env=surroundings,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            start_new_session=True,
        )
        os.close(theirs)
        self.shown = ""

    def shows(self, words: str, timeout_s: float = 20.0) -> None:
        until_s = time.monotonic() + timeout_s
        while words not in self.shown:
            assert time.monotonic() < until_s, self.shown[-3000:]
            if select.select([self.ours], [], [], 0.2)[0]:
                self.shown += os.read(self.ours, 1 << 16).decode("utf-8", "replace")

    def press(self, keys: str) -> None:
        os.write(self.ours, keys.encode())

    def close(self) -> int:
        try:
            return self.process.wait(20)
        finally:
            self.process.kill()
            os.close(self.ours)


class Page:
    """The page line by line, in a pipe."""

    def __init__(self, folder: Path, words: list[str], surroundings: Mapping[str, str]) -> None:
        self.process = subprocess.Popen(
            words,
            cwd=folder,
            env=surroundings,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )

    def reads(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline()

    def says(self, words: str) -> str:
        """Write a line; return the one it is answered with."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{words}\n")
        return self.reads()

    def leave(self) -> int:
        self.process.communicate("quit\nquit\n", timeout=20)
        return self.process.returncode


def page_of(daemon: Daemon, folder: Path) -> Page:
    return Page(folder, daemon.command("shape", "--plain"), daemon.environment)


@pytest.mark.gig
def test_in_a_real_terminal_the_page_shows_moves_keeps_and_leaves(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "shape", "wooden-flute", RUNTIME_DIRECTORY=str(tmp_path))
    terminal.shows("wooden-flute, as it is kept")
    terminal.press("\x1b[B\x1b[B")
    terminal.shows("wooden-flute, shaped")
    terminal.press("k")
    terminal.shows("wooden-flute-mine")
    terminal.press("\r")
    terminal.shows("kept: ")
    terminal.press("q")
    assert terminal.close() == 0
    kept = list(tmp_path.glob("wooden-flute-mine.toml"))
    assert len(kept) == 1
    assert tomllib.loads(kept[0].read_text())["ranks"][0]["levels_db"][:2] == [-2.0, 0.0]
    assert kept[0].read_text().startswith("#"), "its remarks are there"


@pytest.mark.gig
def test_the_page_ends_when_its_terminal_is_gone(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "shape", "flat64", RUNTIME_DIRECTORY=str(tmp_path))
    terminal.shows("flat64, as it is kept")
    os.close(terminal.ours)
    try:
        terminal.process.wait(10)
    finally:
        terminal.process.kill()


def test_without_a_terminal_one_line_says_what_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["shape"]) == 2
    assert "--plain reads and answers line by line" in capsys.readouterr().err


@pytest.fixture
def daemon(jack_server: JackServer, tmp_path: Path) -> Iterator[Daemon]:
    with running(tmp_path, SETTINGS) as made:
        yield made


@pytest.mark.gig
def test_what_is_moved_is_heard_at_once_on_the_running_daemon_in_held_notes(
    daemon: Daemon, tmp_path: Path
) -> None:
    """Over a real port and a real stream; the spectrum before and after."""

    def levels() -> list[float]:
        return partials_db(tmp_path, 440.0, 3)

    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        controller.send(0x90, 69, 100)
        daemon.sounds(1)
        before = levels()
        page = page_of(daemon, tmp_path)
        assert page.reads().startswith("flat64: ")
        assert page.says("partial 2 -20") == "partial 2 -20.0 dB\n"
        wait_until(lambda: levels()[1] < before[1] - 19.0, 10.0)
        after = levels()
        assert after[1] - before[1] == pytest.approx(-20.0, abs=0.5)
        assert after[2] == pytest.approx(before[2], abs=0.5)
        page.leave()
        wait_until(lambda: abs(levels()[1] - before[1]) < 0.5, 10.0)
        accounts = daemon.status()["notes"]["accounts"]
        assert accounts["sounding"] == 1
        wait_until(lambda: daemon.status()["voices"]["now"] == 1)
    assert "Traceback" not in daemon.log


@pytest.mark.gig
def test_without_a_daemon_it_plays_aloud_from_silence_upwards(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """On a real stream; what is moved is heard, and it ends without a held note."""
    surroundings = environment() | {"RUNTIME_DIRECTORY": str(tmp_path)}
    page = Page(tmp_path, command("shape", "flat64", "--plain", "--aloud"), surroundings)
    try:
        assert "headphones off the ears" in page.reads()
        assert page.reads().startswith("flat64: ")
        assert page.says("strike") == "struck\n"
        before = partials_db(tmp_path, 261.6256, 2)
        assert before[0] > -60
        assert page.says("partial 2 -20") == "partial 2 -20.0 dB\n"
        partials_db(tmp_path, 261.6256, 2)  # what was on its way is over
        after = partials_db(tmp_path, 261.6256, 2)
        assert after[1] - before[1] == pytest.approx(-20.0, abs=1.0)
    finally:
        code = page.leave()
    assert code == 0


@pytest.mark.gig
def test_a_page_that_broke_off_is_heard_on_and_the_next_one_takes_it_up(
    daemon: Daemon, tmp_path: Path
) -> None:
    broken = page_of(daemon, tmp_path)
    assert broken.reads().startswith("flat64: ")
    assert broken.says("partial 2 -20") == "partial 2 -20.0 dB\n"
    broken.process.kill()
    broken.process.communicate()
    next_one = page_of(daemon, tmp_path).process
    told, _ = next_one.communicate("partial 2\nkeep mine\nquit\n", timeout=20)
    _, taken, where, kept = told.splitlines()
    assert taken.startswith("taken up as it was left")
    assert where == "partial 2: -20.0 dB"
    assert kept.startswith("kept: ")


def test_the_page_writes_its_own_file_again_but_nobody_elses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    (tmp_path / "theirs.toml").write_text("")
    asked = ["partial 2 -20", "keep ours", "partial 2 -30", "keep ours", "keep theirs", "quit"]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join([*asked, ""])))
    assert main(["shape", "--plain", "flat64"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[-3:] == [
        "partial 2 -30.0 dB",
        "kept: ours.toml",
        "theirs.toml: exists already; take another name",
    ]
    assert all(len(line) < 80 for line in told)
    assert (tmp_path / "theirs.toml").read_text() == ""
