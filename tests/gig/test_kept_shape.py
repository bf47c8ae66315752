"""A sound shaped by a knob on a real port, kept by a key or unasked, and forgotten."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.daemon_process import RATE, Daemon, record, running
from tests.support.jack_server import JackServer
from tests.support.measure import db, partial_level
from tests.support.virtual_controller import VirtualController

SETTINGS = """
[audio]
block_frames = 128
[sound]
name = "flat64"
programs = ["flat64"]
[cues]
ready = false
controller = false
settings = false
gesture = false
[room]
level_db = -80
[gestures]
held = "control 66"
[gestures.keys]
38 = "keep"
40 = "forget"
41 = "octave up"
42 = "zone 2"
[[bindings]]
control = 21
target = "partial"
partial = 2
[[zones]]
[[zones]]
keys = [80, 127]
"""
KEY, HERTZ = 57, 220.0
KNOB, PEDAL = 21, 66


@pytest.fixture
def controller(jack_server: JackServer) -> Iterator[VirtualController]:
    with VirtualController() as made:
        yield made


def command(controller: VirtualController, *keys: int) -> None:
    controller.send(0xB0, PEDAL, 127)
    for key in keys:
        controller.send(0x90, key, 64)
        controller.send(0x80, key, 64)
    controller.send(0xB0, PEDAL, 0)


def second_db(daemon: Daemon, controller: VirtualController, folder: Path) -> float:
    """Return the level of a note's second partial beside its first."""
    controller.send(0x90, KEY, 100)
    daemon.sounds(1)
    found = now_db(folder)
    controller.send(0x80, KEY, 64)
    daemon.sounds(0)
    return found


def now_db(folder: Path) -> float:
    audio = record(folder)[RATE // 4 :]
    first, second = (partial_level(audio, RATE, n * HERTZ) for n in (1, 2))
    return db(second / first)


def test_a_key_keeps_what_a_knob_has_shaped_over_a_restart_and_another_forgets_it(
    controller: VirtualController, tmp_path: Path
) -> None:
    file = tmp_path / "sounds" / "flat64.toml"
    with running(tmp_path, SETTINGS) as daemon:
        daemon.says("controller connected")
        daemon.hears(controller)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(0.0, abs=0.1)
        controller.send(0x90, KEY, 100)
        daemon.sounds(1)
        for value in (60, 127, 100):
            controller.send(0xB0, KNOB, value)
        shaped = now_db(tmp_path)
        assert -30.0 < shaped < -5.0
        command(controller, 38)
        daemon.says("kept: the sound 'flat64'")
        daemon.says("settings read again")
        assert now_db(tmp_path) == pytest.approx(shaped, abs=0.1), "the held note is as it was"
        controller.send(0x80, KEY, 64)
        daemon.sounds(0)
        assert file.exists()
        assert daemon.stop() == 0
    with running(tmp_path, SETTINGS) as daemon:
        daemon.says("controller connected")
        daemon.hears(controller)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(shaped, abs=0.1)
        look = daemon.ask("forget", "--dry-run")
        assert "flat64" in look.stdout
        command(controller, 40, 40)
        daemon.says("gesture: forget: 1 more to go")
        assert file.exists()
        command(controller, 40, 40, 40)
        daemon.says("forgotten: 1 thing")
        daemon.says("settings read again")
        assert second_db(daemon, controller, tmp_path) == pytest.approx(0.0, abs=0.1)
        assert not file.exists()
        notes = daemon.status()["notes"]
        assert sum(notes["accounts"].values()) == notes["received"]


def test_ten_quiet_seconds_keep_what_a_knob_has_shaped_where_that_is_to_be_remembered(
    controller: VirtualController, tmp_path: Path
) -> None:
    with running(tmp_path, f'remember = "shaping"\n{SETTINGS}') as daemon:
        daemon.says("controller connected")
        daemon.hears(controller)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(0.0, abs=0.1)
        for value in (60, 127, 100):
            controller.send(0xB0, KNOB, value)
        shaped = second_db(daemon, controller, tmp_path)
        assert -30.0 < shaped < -5.0
        daemon.says("kept: the sound 'flat64'", timeout_s=20.0)
        daemon.says("settings read again")
        assert second_db(daemon, controller, tmp_path) == pytest.approx(shaped, abs=0.1)
        assert (tmp_path / "sounds" / "flat64.toml").exists()


def test_a_knob_turned_since_a_sound_was_kept_is_heard_alike_after_a_restart_of_the_service(
    controller: VirtualController, tmp_path: Path
) -> None:
    with running(tmp_path, SETTINGS) as daemon:
        daemon.says("controller connected")
        daemon.hears(controller)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(0.0, abs=0.1)
        for value in (60, 127, 100):
            controller.send(0xB0, KNOB, value)
        command(controller, 38)
        daemon.says("kept: the sound 'flat64'")
        daemon.says("settings read again")
        for value in (90, 80):
            controller.send(0xB0, KNOB, value)
        shaped = second_db(daemon, controller, tmp_path)
        assert -30.0 < shaped < -10.0
        assert daemon.stop() == 0
    with running(tmp_path, SETTINGS) as daemon:
        daemon.says("controller connected")
        assert second_db(daemon, controller, tmp_path) == pytest.approx(shaped, abs=0.1)


def test_a_sound_left_for_another_is_as_it_was_shaped_when_one_comes_back(
    controller: VirtualController, tmp_path: Path
) -> None:
    programs = SETTINGS.replace('programs = ["flat64"]', 'programs = ["flat64", "sine"]')
    with running(tmp_path, f'remember = "shaping"\n{programs}') as daemon:
        daemon.says("controller connected")
        daemon.hears(controller)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(0.0, abs=0.1)
        controller.send(0x90, KEY, 100)
        daemon.sounds(1)
        for value in (60, 127, 100):
            controller.send(0xB0, KNOB, value)
        shaped = now_db(tmp_path)
        assert -30.0 < shaped < -5.0
        controller.send(0xC0, 1)
        daemon.says("kept: the sound 'flat64'")
        daemon.says("settings read again")
        assert now_db(tmp_path) == pytest.approx(shaped, abs=0.1), "the held note is as it was"
        controller.send(0x80, KEY, 64)
        daemon.sounds(0)
        controller.send(0xC0, 0)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(shaped, abs=0.1)
        for value in (0, 127, 60, 100):
            controller.send(0xB0, KNOB, value)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(shaped, abs=0.1)


def test_what_a_knob_has_just_shaped_is_kept_when_the_service_is_stopped(
    controller: VirtualController, tmp_path: Path
) -> None:
    with running(tmp_path, f'remember = "shaping"\n{SETTINGS}') as daemon:
        daemon.says("controller connected")
        daemon.hears(controller)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(0.0, abs=0.1)
        controller.send(0x90, KEY, 100)
        daemon.sounds(1)
        for value in (60, 127, 100):
            controller.send(0xB0, KNOB, value)
        shaped = now_db(tmp_path)
        assert -30.0 < shaped < -5.0
        began_s = time.monotonic()
        assert daemon.stop() == 0
        assert time.monotonic() - began_s < 5.0, "the service manager waits no longer"
        assert "kept: the sound 'flat64'" in daemon.log
    with running(tmp_path, SETTINGS) as daemon:
        daemon.says("controller connected")
        daemon.hears(controller)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(shaped, abs=0.1)


def test_a_sound_that_the_card_does_not_take_sounds_as_shaped_all_the_same(
    controller: VirtualController, tmp_path: Path
) -> None:
    in_the_way = tmp_path / "sounds"
    in_the_way.write_text("")
    with running(tmp_path, SETTINGS) as daemon:
        daemon.says("controller connected")
        daemon.hears(controller)
        assert second_db(daemon, controller, tmp_path) == pytest.approx(0.0, abs=0.1)
        for value in (60, 127, 100):
            controller.send(0xB0, KNOB, value)
        shaped = second_db(daemon, controller, tmp_path)
        command(controller, 38)
        daemon.says("the sound 'flat64' can't be kept yet: File exists")
        assert second_db(daemon, controller, tmp_path) == pytest.approx(shaped, abs=0.1)
        refused = daemon.ask("sounds", "keep", "mine")
        assert refused.returncode == 1
        assert refused.stdout == ""
        assert "the card has not taken 'mine' yet" in refused.stderr
        in_the_way.unlink()
        command(controller, 38)
        daemon.says("kept: the sound 'flat64'")
        daemon.says("settings read again")
        assert second_db(daemon, controller, tmp_path) == pytest.approx(shaped, abs=0.1)
        assert (in_the_way / "flat64.toml").exists()
        assert (in_the_way / "mine.toml").exists(), "it was owed as well"
        assert daemon.ask("sounds", "keep", "yours").returncode == 0
        assert (in_the_way / "yours.toml").exists(), "it is there once that is said"
