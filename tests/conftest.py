"""What several test files share."""

import os

# Before numpy comes in, as in the program: one thread, and a process that may be forked.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import itertools
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

_SERIAL = itertools.count(1)


class JackServer:
    """A JACK server of our own with the dummy driver: no card, real time, its own name.

    Parameters
    ----------
    name
        What `JACK_DEFAULT_SERVER` has to be for its clients.
    log
        Where the server's own lines go.
    """

    def __init__(self, name: str, log: Path) -> None:
        self.name = name
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, period: int = 128, *, waits: bool = True) -> None:
        """Start the server and wait until clients can connect.

        A server that waits for its clients loses nothing on a busy machine, but stands still for
        seconds when one is killed; one that does not wait counts underflows as a card would.
        """
        mode = ["-S"] if waits else []
        command = ["jackd", "-n", self.name, "-r", "--port-max", "128", *mode, "-d", "dummy"]
        environment = os.environ | {
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_DEFAULT_SERVER": self.name,
        }
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                [*command, "-r", "48000", "-p", str(period)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=environment,
            )
        wait = ["jack_wait", "-s", self.name, "-w", "-t", "10"]
        subprocess.run(wait, check=True, capture_output=True, env=environment, timeout=15)

    def stop(self) -> None:
        """Stop the server in good order."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """Take the server away from under its clients."""
        self._end(signal.SIGKILL)

    def _end(self, number: signal.Signals) -> None:
        if self._process is None:
            return
        self._process.send_signal(number)
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None
        # What a killed server leaves in the shared memory would hinder the next of its name.
        for left in Path("/dev/shm").glob(f"jack*{self.name}*"):
            left.unlink(missing_ok=True)


@pytest.fixture
def jack_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    """Run a JACK server at 48 kHz, 128 frames, that this process and its children will find."""
    name = f"partiald-{os.getpid()}-{next(_SERIAL)}"
    monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    server = JackServer(name, tmp_path / "jackd.log")
    server.start()
    yield server
    server.kill()
