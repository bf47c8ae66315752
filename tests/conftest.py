"""What several test files share."""

import os

# Before numpy comes in, as in the program: one thread, and a process that may be forked.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.jackd import JackServer, own_name
from tests.whole import Daemon


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
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """Run one daemon for a file of tests, on a JACK server that waits for nobody, as a card."""
    folder = tmp_path_factory.mktemp("stage")
    with own_name() as name, pytest.MonkeyPatch.context() as patch:
        patch.setenv("JACK_DEFAULT_SERVER", name)
        patch.setenv("JACK_NO_START_SERVER", "1")
        server = JackServer(name, folder / "jackd.log")
        server.start(waits=False)
        daemon = Daemon(folder)
        try:
            daemon.says("ready:", timeout_s=15)
            yield daemon
        finally:
            daemon.close()
            server.stop()
