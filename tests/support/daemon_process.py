"""The whole daemon as a process of its own: its log, its answers, its end."""

import os
import signal
import subprocess
import sys
import time
import wave
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.control.ask import ask
from tests.support.measure import cents, db, partial_level, pitch
from tests.support.virtual_controller import VirtualController
from tests.support.waiting import wait_until

ROOT = Path(__file__).parents[2]
RATE = 48_000
# Without cues: what is recorded is the music alone.
SETTINGS = (
    '[audio]\nblock_frames = 128\n[sound]\nname = "sine"\n'
    "[cues]\nready = false\ncontroller = false\nsettings = false\n"
)


class Daemon:
    """``partiald run`` in a process of its own."""

    def __init__(
        self, folder: Path, settings: str = SETTINGS, log: str = "log.txt", **environment: str
    ) -> None:
        self.settings = folder / "partiald.toml"
        self.settings.write_text(settings)
        self._log = folder / log
        self.environment = os.environ | {
            "PYTHONPATH": str(ROOT),
            "RUNTIME_DIRECTORY": str(folder),  # not the machine's own lock
            "STATE_DIRECTORY": str(folder),
            **environment,
        }
        with self._log.open("w") as stderr:
            self.process = subprocess.Popen(
                self.command("run"), cwd=folder, env=self.environment, stderr=stderr
            )

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "daemon", "--settings", str(self.settings), *words]

    @property
    def log(self) -> str:
        return self._log.read_text()

    def says(self, words: str, times: int = 1, timeout_s: float = 10.0) -> None:
        """Wait until the log holds some words."""
        try:
            wait_until(lambda: self.log.count(words) >= times, timeout_s)
        except AssertionError:
            raise AssertionError(f"{words!r} is not in the log:\n{self.log}") from None

    def ask(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command(*words),
            cwd=self.settings.parent,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=20,
            check=False,
        )

    def status(self) -> dict[str, Any]:
        """Ask as the command does, without starting one, and with more patience."""
        return ask({"ask": "status"}, [self.settings.parent / "control"], timeout_s=10.0)

    @property
    def fork_server(self) -> int:
        """The process that makes players."""
        return children(self.process.pid)[0]

    @property
    def player(self) -> int:
        """The process that plays, waited for if there is none."""
        wait_until(lambda: children(self.fork_server), 10.0)
        return children(self.fork_server)[0]

    def replugs(self, controller: VirtualController) -> None:
        """Pull a controller and plug it in at once, and wait until it is connected again."""
        reconnected = self.log.count("controller reconnected")
        controller.pull()
        controller.plug()
        self.says("controller reconnected", reconnected + 1)

    def is_unplugged(self) -> None:
        """Wait until the controller of the test before is seen to be gone."""
        wait_until(lambda: not self.status()["controllers"])

    def hears(self, controller: VirtualController) -> None:
        """Send one message, and see that it arrives, and no other."""
        before = self.status()["messages"]
        controller.send(0xB0, 20, 0)
        wait_until(lambda: self.status()["messages"] != before)
        assert self.status()["messages"] == before + 1, self.log

    def plays(self, controller: VirtualController, *keys: int) -> None:
        """Strike keys, and see that each of them sounds, and nothing else that did not before."""

        def accounts() -> tuple[int, int]:
            notes = self.status()["notes"]
            return notes["received"], notes["accounts"]["sounding"]

        received, sounding = accounts()
        controller.chord(*keys)
        wait_until(lambda: accounts()[0] >= received + len(keys))
        assert accounts() == (received + len(keys), sounding + len(keys)), self.log

    def retunes(self, controller: VirtualController, folder: Path, hertz: float) -> None:
        """Strike A4 until it has a pitch: the player makes settings ready before it takes them."""

        def is_retuned() -> bool:
            controller.chord(69)
            self.sounds(1)
            heard = pitch(record(folder), RATE, hertz, 100)
            controller.send(0x80, 69, 0)
            self.sounds(0)
            return abs(cents(heard, hertz)) < 1.0

        wait_until(is_retuned, 20.0)

    def struck_partials(self, controller: VirtualController, key: int) -> int:
        """Strike a key and return of how many partials its note is.

        Soon after the start a program may not be ready yet; notes have the sound before it.
        """
        controller.chord(key)
        self.sounds(1)
        partials = int(self.status()["partials"])
        controller.send(0x80, key, 0)
        self.sounds(0)
        return partials

    def sounds(self, voices: int) -> None:
        """Wait until so many voices sound."""
        wait_until(lambda: self.status()["voices"]["now"] == voices, 10.0)

    def stop(self, number: signal.Signals = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(20)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


def record(folder: Path, seconds: int = 1) -> NDArray[np.float64]:
    """Return what the daemon sends to the sound card now, from the server itself."""
    # On a loaded machine the server may not have the time for one more client at once.
    ours, *_ = wait_until(our_ports, 10.0)
    path = folder / "recorded.wav"
    command = ["jack_rec", "-f", str(path), "-d", str(seconds), "-b", "24", ours]
    subprocess.run(command, capture_output=True, check=True, timeout=30)
    with wave.open(str(path)) as file:
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, 3)
    whole = (raw.astype(np.int32) << np.array([8, 16, 24], np.int32)).sum(axis=1, dtype=np.int32)
    return np.asarray(whole / 2.0**31)


def partials_db(folder: Path, hertz: float, count: int) -> list[float]:
    """Return the levels of a note's first partials, as the daemon sends them now."""
    heard = record(folder)[RATE // 4 :]
    return [db(partial_level(heard, RATE, hertz * number)) for number in range(1, count + 1)]


def our_ports() -> list[str]:
    """Return the daemon's left outputs that the server knows."""
    listed = subprocess.run(["jack_lsp"], capture_output=True, text=True, check=False).stdout
    return [port for port in listed.split("\n") if port.endswith(":out_0")]


def children(pid: int) -> list[int]:
    """Return a process's own, in the order in which they began."""
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except (FileNotFoundError, ProcessLookupError):
        return []


def gone(pid: int) -> bool:
    """Return whether a process has ended; one that nobody has reaped counts."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


def belongings(daemon: Daemon) -> dict[str, int]:
    """Return the descriptors, threads and bytes of memory of keeper, fork_server and player.

    The least of a few looks: who has just asked for the status is still being released.
    """
    looks = []
    for _ in range(5):
        pids = (daemon.process.pid, daemon.fork_server, daemon.player)
        processes = [Path(f"/proc/{pid}") for pid in pids]
        pages = [int((each / "statm").read_text().split()[1]) for each in processes]
        descriptors = sum(len(os.listdir(each / "fd")) for each in processes)
        threads = sum(len(os.listdir(each / "task")) for each in processes)
        looks.append((descriptors, threads, 4096 * sum(pages)))
        time.sleep(0.02)
    least = [min(figures) for figures in zip(*looks, strict=True)]
    return dict(zip(("descriptors", "threads", "bytes"), least, strict=True))


@contextmanager
def running(folder: Path, settings: str = SETTINGS) -> Iterator[Daemon]:
    """Lend a daemon that is ready, on the JACK server that this process finds."""
    made = Daemon(folder, settings)
    try:
        made.says("ready:", timeout_s=15)
        yield made
    finally:
        made.close()
