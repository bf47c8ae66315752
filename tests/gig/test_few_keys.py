"""A small keyboard on a real port: zones, knobs and keys as commands, looked at on the spectrum."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
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
programs = ["flat64", "sine"]
[gestures]
held = "key 48"
set = "twelve keys"
[[zones]]
keys = [0, 52]
sound = "sine"
hold = true
[[zones]]
keys = [53, 127]
[[bindings]]
control = 20
target = "overtones"
low = -60.0
high = 0.0
[[bindings]]
control = "pitch_bend"
target = "volume"
"""
DRONE, MELODY = 50, 57
HERTZ = {DRONE: 146.832, MELODY: 220.0}


@pytest.fixture
def daemon(jack_server: JackServer, tmp_path: Path) -> Iterator[Daemon]:
    with running(tmp_path, SETTINGS) as made:
        yield made


def levels(folder: Path, *hertz: float) -> list[float]:
    """Return the levels of partials in what sounds now, in dB."""
    audio = record(folder)[RATE // 4 :]
    return [db(partial_level(audio, RATE, each) + 1e-9) for each in hertz]


def command(controller: VirtualController, key: int) -> None:
    """Hold the lowest key and strike another."""
    controller.send(0x90, 48, 64)
    controller.send(0x90, key, 64)
    controller.send(0x80, key, 64)
    controller.send(0x80, 48, 64)


def test_a_drone_a_melody_a_knob_a_wheel_and_an_octave(daemon: Daemon, tmp_path: Path) -> None:
    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        controller.send(0x90, DRONE, 100)
        controller.send(0x80, DRONE, 64)
        controller.send(0x90, MELODY, 100)
        daemon.sounds(2)
        fundamental, octave = HERTZ[MELODY], 2 * HERTZ[MELODY]
        before = levels(tmp_path, HERTZ[DRONE], fundamental, octave)
        assert min(before) > -70
        for value in (100, 60, 20, 0):
            controller.send(0xB0, 20, value)
        turned = levels(tmp_path, HERTZ[DRONE], fundamental, octave)
        assert np.allclose(turned[:2], before[:2], atol=0.2)
        assert turned[2] == pytest.approx(before[2] - 60.0, abs=1.0)
        controller.send(0xB0, 20, 127)
        for value in (60, 30, 0):
            controller.send(0xE0, 0, value)
        softer = levels(tmp_path, HERTZ[DRONE], fundamental)
        assert np.allclose(softer, np.array(before[:2]) - 40.0, atol=0.5)
        controller.send(0xE0, 127, 127)
        command(controller, 52)
        daemon.says("gesture: octave up: +1")
        controller.send(0x80, MELODY, 64)
        controller.send(0x90, MELODY, 100)
        higher = levels(tmp_path, fundamental, octave)
        assert higher[1] - higher[0] > 40.0
        command(controller, 59)
        daemon.says("gesture: panic")
        daemon.sounds(0)
        accounts = daemon.status()["notes"]["accounts"]
        assert accounts["taken as a command"] == 4
        assert accounts["sounding"] == 0
