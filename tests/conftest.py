"""What several test files share."""

import os

# Before numpy comes in, as in the program: one thread, and a process that may be forked.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.daemon_process import Daemon
from tests.support.jack_server import JackServer, own_name
from tests.support.stage import staged


@pytest.fixture
def jack_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    """Run a JACK server at 48 kHz, 128 frames, that this process and its children will find."""
    with own_name() as name:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
        monkeypatch.setenv("JACK_NO_START_SERVER", "1")
        server = JackServer(name, tmp_path / "jackd.log")
        try:
            server.start()
            yield server
        finally:
            server.stop()


@pytest.fixture(scope="module")
def stage() -> Iterator[Daemon]:
    """Run one daemon for a file of tests, on a JACK server that waits for nobody, as a card."""
    with staged() as daemon:
        yield daemon
