"""A stage: the whole daemon on a JACK server of its own, both gone when the play is over."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.support.daemon_process import SETTINGS, Daemon
from tests.support.jack_server import JackServer, own_name


@contextmanager
def staged(settings: str = SETTINGS) -> Iterator[Daemon]:
    """Lend a daemon that is ready; what fails meanwhile is shown with its log.

    Parameters
    ----------
    settings
        The text of its settings file.
    """
    with (
        own_name() as name,
        tempfile.TemporaryDirectory() as folder,
        pytest.MonkeyPatch.context() as patch,
    ):
        patch.setenv("JACK_DEFAULT_SERVER", name)
        patch.setenv("JACK_NO_START_SERVER", "1")
        server = JackServer(name, Path(folder) / "jackd.log")
        server.start()
        daemon = Daemon(Path(folder), settings)
        try:
            daemon.says("ready:", timeout_s=15)
            yield daemon
        except AssertionError as failure:
            failure.add_note(daemon.log)
            raise
        finally:
            daemon.close()
            server.stop()
