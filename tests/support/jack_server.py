"""A real JACK server for tests."""

import ctypes
import fcntl
import os
import signal
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.support.waiting import wait_until

_NAMES = 4


def _end_with_parent() -> None:
    ctypes.CDLL(None).prctl(1, int(signal.SIGKILL), 0, 0, 0)  # PR_SET_PDEATHSIG


@contextmanager
def own_name() -> Iterator[str]:
    """Lend a server name that no other test run uses now.

    JACK's registry has room for eight servers on a machine, and a killed one keeps its place
    until another of its name starts: so the names are few and used again.
    """
    with ExitStack() as files:
        for number in range(1, _NAMES + 1):
            name = f"partiald-test-{number}"
            lock = files.enter_context((Path(tempfile.gettempdir()) / name).open("w"))
            last = number == _NAMES
            try:
                fcntl.flock(lock, fcntl.LOCK_EX if last else fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                continue
            yield name
            return


class JackServer:
    """A JACK server of our own with the dummy driver: no card, real time, its own name.

    Parameters
    ----------
    name
        What `JACK_DEFAULT_SERVER` must be for its clients.
    log
        Where the server's own lines go.
    """

    def __init__(self, name: str, log: Path) -> None:
        self.name = name
        self._log = log
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, period: int = 128, *, synchronous: bool = True, first: bool = False) -> None:
        """Start the server and wait until clients can connect.

        A synchronous server waits for its clients: no message is lost on a busy machine, and a test
        may count them. It stands still for a second when a client is killed. Another one skips what
        is late, as a card does, and with it a message now and then.
        ``first``: before whatever else the machine does, which root may ask for.
        """
        # It waits ten times as long as this says (measured with jackd 1.9.21).
        mode = ["-R" if first else "-r", *(["-S", "-t", "100"] if synchronous else [])]
        command = ["jackd", "-n", self.name, *mode, "--port-max", "128", "-d", "dummy"]
        environment = os.environ | {
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_NO_START_SERVER": "1",
            "JACK_DEFAULT_SERVER": self.name,
        }
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                [*command, "-r", "48000", "-p", str(period)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=environment,
                # A server that outlives a killed test run takes the next run's clients.
                preexec_fn=_end_with_parent,
            )

        def answers() -> bool:
            assert self._process is not None
            assert self._process.poll() is None, self._log.read_text()
            # Much sooner than `jack_wait`, which looks once a second.
            ports = subprocess.run(["jack_lsp"], capture_output=True, env=environment, timeout=10)
            return b"system:playback_2" in ports.stdout

        wait_until(answers, 10.0)

    def stop(self) -> None:
        """Stop the server in good order."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """Take the server away from under its clients."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Make the server deaf without ending it; `kill` still works."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def _end(self, number: signal.Signals) -> None:
        if self._process is None:
            return
        self._process.send_signal(number)
        try:
            self._process.wait(1)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process = None
