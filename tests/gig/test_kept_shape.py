"""A sound shaped by a knob on a real port, kept by a key or unasked, and forgotten."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.support.daemon_process import Daemon, partials_db, running
from tests.support.jack_server import JackServer
from tests.support.virtual_controller import VirtualController
from tests.support.waiting import wait_until

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
REMEMBERED = f'remember = "shaping"\n{SETTINGS}'
KEY, HERTZ = 57, 220.0
KNOB, PEDAL = 21, 66
KEEP, FORGET = 38, 40
SHAPED = (60, 127, 100)
"""From wherever the knob was left, to where it takes some of the second partial away."""


class Gig:
    """A daemon that hears a controller, and a note to measure."""

    def __init__(self, daemon: Daemon, controller: VirtualController, folder: Path) -> None:
        self.daemon, self._controller, self._folder = daemon, controller, folder
        daemon.says("controller connected")
        daemon.hears(controller)

    def turn(self, *values: int) -> None:
        for value in values:
            self._controller.send(0xB0, KNOB, value)

    def program(self, number: int) -> None:
        self._controller.send(0xC0, number)

    def command(self, *keys: int) -> None:
        """Hold the pedal and strike keys."""
        self._controller.send(0xB0, PEDAL, 127)
        for key in keys:
            self._controller.send(0x90, key, 64)
            self._controller.send(0x80, key, 64)
        self._controller.send(0xB0, PEDAL, 0)

    def is_kept(self, timeout_s: float = 10.0) -> None:
        self.daemon.says("kept: the sound 'flat64'", timeout_s=timeout_s)
        self.daemon.says("settings read again")

    def strike(self) -> None:
        self._controller.send(0x90, KEY, 100)
        self.daemon.sounds(1)

    @contextmanager
    def held(self) -> Iterator[None]:
        self.strike()
        yield
        self._controller.send(0x80, KEY, 64)
        self.daemon.sounds(0)

    @property
    def now_db(self) -> float:
        """The level of the held note's second partial beside its first."""
        first, second = partials_db(self._folder, HERTZ, 2)
        return second - first

    @property
    def struck_db(self) -> float:
        """That of a note struck for it."""
        with self.held():
            return self.now_db


@pytest.fixture
def controller(jack_server: JackServer) -> Iterator[VirtualController]:
    with VirtualController() as made:
        yield made


@contextmanager
def gig(
    controller: VirtualController, folder: Path, settings: str = SETTINGS, db: float = 0.0
) -> Iterator[Gig]:
    """Lend a daemon whose sound has its second partial where it is expected."""
    with running(folder, settings) as daemon:
        made = Gig(daemon, controller, folder)
        assert made.struck_db == pytest.approx(db, abs=0.1)
        yield made


def test_a_key_keeps_what_a_knob_has_shaped_over_a_restart_and_another_forgets_it(
    controller: VirtualController, tmp_path: Path
) -> None:
    file = tmp_path / "sounds" / "flat64.toml"
    with gig(controller, tmp_path) as first:
        with first.held():
            first.turn(*SHAPED)
            shaped = first.now_db
            assert -30.0 < shaped < -5.0
            first.command(KEEP)
            first.is_kept()
            assert first.now_db == pytest.approx(shaped, abs=0.1), "the held note is as it was"
        assert file.exists()
        assert first.daemon.stop() == 0
    with gig(controller, tmp_path, db=shaped) as second:
        assert "flat64" in second.daemon.ask("forget", "--dry-run").stdout
        second.command(FORGET, FORGET)
        second.daemon.says("gesture: forget: 1 more to go")
        assert file.exists()
        second.command(FORGET, FORGET, FORGET)
        second.daemon.says("forgotten: 1 thing")
        second.daemon.says("settings read again")
        # The player makes settings ready before it takes them.
        wait_until(lambda: second.struck_db == pytest.approx(0.0, abs=0.1), 20.0)
        assert not file.exists()
        notes = second.daemon.status()["notes"]
        assert sum(notes["accounts"].values()) == notes["received"]


def test_ten_quiet_seconds_keep_what_a_knob_has_shaped_where_that_is_to_be_remembered(
    controller: VirtualController, tmp_path: Path
) -> None:
    with gig(controller, tmp_path, REMEMBERED) as made:
        made.turn(*SHAPED)
        shaped = made.struck_db
        assert -30.0 < shaped < -5.0
        made.is_kept(timeout_s=20.0)
        assert made.struck_db == pytest.approx(shaped, abs=0.1)
        assert (tmp_path / "sounds" / "flat64.toml").exists()


def test_a_knob_turned_since_a_sound_was_kept_is_heard_alike_after_a_restart_of_the_service(
    controller: VirtualController, tmp_path: Path
) -> None:
    with gig(controller, tmp_path) as made:
        made.turn(*SHAPED)
        made.command(KEEP)
        made.is_kept()
        made.turn(90, 80)
        shaped = made.struck_db
        assert -30.0 < shaped < -10.0
        assert made.daemon.stop() == 0
    with gig(controller, tmp_path, db=shaped):
        pass


def test_a_sound_left_for_another_is_as_it_was_shaped_when_one_comes_back(
    controller: VirtualController, tmp_path: Path
) -> None:
    programs = REMEMBERED.replace('programs = ["flat64"]', 'programs = ["flat64", "sine"]')
    with gig(controller, tmp_path, programs) as made:
        with made.held():
            made.turn(*SHAPED)
            shaped = made.now_db
            assert -30.0 < shaped < -5.0
            made.program(1)
            made.is_kept()
            assert made.now_db == pytest.approx(shaped, abs=0.1), "the held note is as it was"
        made.program(0)
        assert made.struck_db == pytest.approx(shaped, abs=0.1)
        made.turn(0, 127, *SHAPED)
        assert made.struck_db == pytest.approx(shaped, abs=0.1)


def test_what_a_knob_has_just_shaped_is_kept_when_the_service_is_stopped(
    controller: VirtualController, tmp_path: Path
) -> None:
    with gig(controller, tmp_path, REMEMBERED) as made:
        made.strike()
        made.turn(*SHAPED)
        shaped = made.now_db
        assert -30.0 < shaped < -5.0
        began_s = time.monotonic()
        assert made.daemon.stop() == 0
        assert time.monotonic() - began_s < 5.0, "the service manager waits no longer"
        assert "kept: the sound 'flat64'" in made.daemon.log
    with gig(controller, tmp_path, db=shaped):
        pass


def test_a_sound_that_the_card_does_not_take_sounds_as_shaped_all_the_same(
    controller: VirtualController, tmp_path: Path
) -> None:
    in_the_way = tmp_path / "sounds"
    in_the_way.write_text("")
    with gig(controller, tmp_path) as made:
        made.turn(*SHAPED)
        shaped = made.struck_db
        made.command(KEEP)
        made.daemon.says("the sound 'flat64' can't be kept yet: File exists")
        assert made.struck_db == pytest.approx(shaped, abs=0.1)
        refused = made.daemon.ask("sounds", "keep", "mine")
        assert refused.returncode == 1
        assert refused.stdout == ""
        assert "the card has not taken 'mine' yet" in refused.stderr
        in_the_way.unlink()
        made.command(KEEP)
        made.is_kept()
        assert made.struck_db == pytest.approx(shaped, abs=0.1)
        assert (in_the_way / "flat64.toml").exists()
        assert (in_the_way / "mine.toml").exists(), "it was owed as well"
        assert made.daemon.ask("sounds", "keep", "yours").returncode == 0
        assert (in_the_way / "yours.toml").exists(), "it is there once that is said"
