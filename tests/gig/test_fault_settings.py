"""Settings files that are wrong, half written or gone, under a daemon that plays."""

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.command import ROOT
from tests.support.daemon_process import SETTINGS, Daemon
from tests.support.fault_table import FaultLog
from tests.support.jack_server import JackServer
from tests.support.virtual_controller import VirtualController
from tests.support.waiting import wait_until

# The system's folders as on a board, seen by nobody else.
BOARD = """
mount -t tmpfs none "$1" && mkdir "$1/etc" "$1/run" && cp -a /etc/. "$1/etc/" 2>"$1/said"
mount --bind "$1/etc" /etc && mkdir -p /etc/partiald
echo 'polyphony = 9' >/etc/partiald/partiald.toml
exec "$2" -m daemon run
"""

UNSHARED = ["unshare", "--map-root-user", "--mount", "sh", "-c"]


@pytest.fixture
def held(stage: Daemon) -> Iterator[VirtualController]:
    """A controller with one key down, through the whole test."""
    stage.settings.write_text(SETTINGS)
    stage.is_unplugged()
    with VirtualController() as controller:
        wait_until(lambda: stage.status()["controllers"])
        stage.hears(controller)
        stage.plays(controller, 60)
        before = stage.status()["notes"]["accounts"]["sounding"]
        yield controller
        assert stage.status()["notes"]["accounts"]["sounding"] == before == 1
        stage.plays(controller, 64)
    stage.sounds(0)


@pytest.mark.usefixtures("held")
def test_a_wrong_edit_changes_nothing_and_is_named(stage: Daemon) -> None:
    watch = FaultLog("wrong edit of the settings", lambda: stage.log)
    stage.settings.write_text(SETTINGS.replace("[audio]", "polyphony = 0\n[audio]"))
    watch.wait_for_all()
    assert stage.status()["polyphony"] == 16


@pytest.mark.usefixtures("held")
def test_a_half_written_file_changes_nothing_until_it_is_whole(stage: Daemon) -> None:
    watch = FaultLog("settings file half written", lambda: stage.log)
    whole = "polyphony = 7\n" + SETTINGS
    stage.settings.write_text(whole[: whole.index("block_frames") + 5])
    watch.wait_for_next()
    assert stage.status()["polyphony"] == 16
    stage.settings.write_text(whole)
    watch.wait_for_all()
    assert stage.status()["polyphony"] == 7


@pytest.mark.usefixtures("held")
def test_a_named_file_that_is_deleted_changes_nothing(stage: Daemon) -> None:
    stage.settings.write_text("polyphony = 7\n" + SETTINGS)
    wait_until(lambda: stage.status()["polyphony"] == 7)
    watch = FaultLog("settings file named by --settings deleted", lambda: stage.log)
    stage.settings.unlink()
    watch.wait_for_all()
    assert stage.status()["polyphony"] == 7


@pytest.mark.needs("namespaces")
def test_a_file_deleted_on_the_board_puts_the_others_in_force(tmp_path: Path) -> None:
    place, log = tmp_path / "board", tmp_path / "log.txt"
    place.mkdir()
    environment = os.environ | {
        "PYTHONPATH": str(ROOT),
        "RUNTIME_DIRECTORY": str(place / "run"),
        "JACK_DEFAULT_SERVER": "nobody-there",
        "JACK_NO_START_SERVER": "1",
    }
    with log.open("w") as stderr:
        daemon = subprocess.Popen(
            [*UNSHARED, BOARD, "sh", str(place), sys.executable],
            env=environment,
            stderr=stderr,
        )
    try:
        wait_until(lambda: "no controller" in log.read_text(), 15.0)
        watch = FaultLog("settings file deleted", log.read_text)
        Path(f"/proc/{daemon.pid}/root/etc/partiald/partiald.toml").unlink()
        watch.wait_for_all()
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(10)
    assert not Path("/etc/partiald").exists()


def test_wrong_settings_at_power_on_are_named_and_the_defaults_play(
    jack_server: JackServer, tmp_path: Path
) -> None:
    daemon = Daemon(tmp_path, 'polyphonie = 8\nsound = "loud"\n')
    try:
        watch = FaultLog("wrong settings at power-on", lambda: daemon.log, at=0)
        watch.wait_for_all(15.0)
        assert daemon.status()["polyphony"] == 16
        assert daemon.stop() == 0
    finally:
        daemon.close()
