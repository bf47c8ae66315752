"""What knobs do, asked for over the control socket: learned, listed, forgotten."""

import logging
from functools import partial
from pathlib import Path

import pytest

from config.bindings import Binding
from daemon.commands import learn
from daemon.control.requests import REQUEST
from daemon.midi.controller_input import TELLING_US
from daemon.storage.learned import LearnedFile
from tests.support.virtual_daemon import KEYS, VirtualDaemon
from voices.channels.shaping import Shaping
from voices.instrument import Instrument

COMMON = [Binding(control=74, target="tilt"), Binding(control=72, target="release")]


@pytest.fixture
def daemon(tmp_path: Path) -> VirtualDaemon:
    kept = LearnedFile(lambda *_: None, path=tmp_path / "learned.toml")
    made = VirtualDaemon(learned=kept)
    made.files.edit(sound={"name": "sine"})
    made.keeper.start()
    made.run(0.1)
    made.ports.plug(KEYS)
    made.run(0.5 + TELLING_US / 1e6)
    return made


def asked(daemon: VirtualDaemon, **request: object) -> dict[str, object]:
    return daemon.keeper.answer(REQUEST.validate_python(request))


def turn(daemon: VirtualDaemon, number: int, *values: int) -> None:
    daemon.hear(*(bytes((0xB0, number, value)) for value in values))
    daemon.run(0.3)


def instrument(daemon: VirtualDaemon) -> Instrument:
    assert daemon.playing is not None
    assert isinstance(daemon.playing.instrument, Instrument)
    return daemon.playing.instrument


def shape(daemon: VirtualDaemon) -> Shaping:
    return instrument(daemon).channel(0).shape


def level(daemon: VirtualDaemon) -> float:
    """Return the highest of what is heard in the next tenth of a second."""
    peaks = []
    for _ in range(75):
        daemon.run(64 / 48_000)
        peaks.append(max(instrument(daemon).peaks))
    return max(peaks)


def bindings(daemon: VirtualDaemon) -> list[Binding]:
    return daemon.keeper.settings.bindings


def test_a_knob_is_learned_listed_and_forgotten(daemon: VirtualDaemon) -> None:
    told = asked(daemon, ask="learn", target="rank", number=2)
    assert (told["state"], told["kept"], told["overridden_by"]) == ("waiting", True, "")
    turn(daemon, 20, 5, 9, 7)
    assert asked(daemon, ask="learned")["state"] == "waiting"
    turn(daemon, 20, 100)
    told = asked(daemon, ask="learned")
    assert (told["state"], told["control"]) == ("bound", 20)
    assert bindings(daemon) == [*COMMON, Binding(control=20, target="rank", rank=2)]
    rows = asked(daemon, ask="bindings")["bindings"]
    assert isinstance(rows, list)
    assert rows[-1] == {"control": 20, "target": "rank 2", "low": -60, "high": 6, "unit": "dB"}
    told = asked(daemon, ask="forget", target="rank", number=2)
    assert told["forgotten"] == ["control 20: rank 2"]
    assert bindings(daemon) == COMMON
    assert asked(daemon, ask="forget", target="rank", number=2)["forgotten"] == []


def test_forgetting_all_brings_back_what_the_files_say(daemon: VirtualDaemon) -> None:
    asked(daemon, ask="learn", target="volume")
    turn(daemon, 74, 0, 100)
    assert bindings(daemon)[-1] == Binding(control=74, target="volume")
    assert asked(daemon, ask="forget")["forgotten"] == ["control 74: volume"]
    assert bindings(daemon) == COMMON


def test_a_knob_that_is_learned_does_not_jump(daemon: VirtualDaemon) -> None:
    daemon.play(69, 100)
    asked(daemon, ask="learn", target="volume")
    turn(daemon, 20, 0, 40)
    daemon.run(0.2)
    before = level(daemon)
    turn(daemon, 20, 38)
    # Two of the forty steps that are left to it downwards, and so a twentieth of its way.
    left_db = shape(daemon).volume + 40.0
    assert level(daemon) == pytest.approx(before * 10 ** (-left_db / 19 / 20), rel=0.02)
    turn(daemon, 20, 0)
    assert shape(daemon).volume == -40.0


def test_what_is_sent_at_plugging_in_moves_no_knob_and_after_that_it_does(
    daemon: VirtualDaemon,
) -> None:
    daemon.replug_keys()
    turn(daemon, 74, 0)
    assert shape(daemon).tilt == 0.0
    turn(daemon, 74, 32)
    assert 0.0 < shape(daemon).tilt < 3.0
    turn(daemon, 74, 0)
    assert shape(daemon).tilt == -9.0


def test_another_card_hears_of_a_position_as_of_a_position(daemon: VirtualDaemon) -> None:
    daemon.replug_keys()
    turn(daemon, 74, 0)
    daemon.end("gone")
    daemon.run(3.0)
    assert shape(daemon).tilt == 0.0


def test_the_command_says_how_long_and_what_is_in_the_way() -> None:
    path = "/boot/firmware/partiald.toml"
    kept, lost = {"kept": True}, {"kept": False, "overridden_by": path}
    assert learn.how_long(kept) == ", and after the next power-on"
    assert learn.how_long(lost) == f", until partiald is stopped: {path} overrides what is learned"


# --- keys as commands -------------------------------------------------------------------------


def test_a_gesture_is_told_in_the_log_answered_by_a_tone_and_its_sound_is_remembered(
    daemon: VirtualDaemon, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    daemon.files.edit(
        sound={"name": "sine"}, gestures={"held": "key 36", "keys": {"38": "sound 2"}}
    )
    daemon.run(1.0)
    daemon.play(36, 38)
    daemon.run(0.5)
    assert "gesture: sound 2: reed-organ" in caplog.text
    assert daemon.cues == ["ready", "gesture"]
    assert daemon.controllers.channel_state.programs() == {(0, 1)}
    daemon.end("gone")
    daemon.run(3.0)
    assert instrument(daemon).channel(0).sound == "reed-organ"
    assert daemon.accounts == {"taken as a command": 2}


def test_a_gesture_sounds_no_cue_if_the_settings_leave_it_out(daemon: VirtualDaemon) -> None:
    daemon.files.edit(cues={"gesture": False}, gestures={"held": "key 36", "keys": {"38": "panic"}})
    daemon.run(1.0)
    daemon.play(36, 38)
    daemon.run(0.5)
    assert daemon.cues == ["ready"]


def test_what_waits_is_written_when_a_key_says_keep(daemon: VirtualDaemon) -> None:
    written: list[bool] = []
    daemon.files.edit(gestures={"held": "key 36", "keys": {"38": "keep"}})
    daemon.run(1.0)
    daemon.writes.request("something", lambda: partial(written.append, True))
    daemon.play(36, 38)
    daemon.run(0.5)
    assert written


def test_another_player_has_the_octave_and_the_zones_that_gestures_had_set(
    daemon: VirtualDaemon,
) -> None:
    keys = {"38": "octave up", "40": "transpose down", "41": "zone 2"}
    daemon.files.edit(gestures={"held": "key 36", "keys": keys}, zones=[{}, {"octave": 1}])
    daemon.run(1.0)
    daemon.play(36, 38, 40, 41)
    daemon.hear(b"\x80\x24\x40")
    daemon.run(0.5)
    daemon.end("gone")
    daemon.run(3.0)
    daemon.play(60)
    daemon.run(0.1)
    note = instrument(daemon).ledger.notes[-1]
    assert (note.key, note.sounding_key) == (60, 71)
    assert daemon.accounts["sounding"] == 1
    daemon.ports.unplug(KEYS)
    daemon.run(0.5)
    daemon.end("gone")
    daemon.run(3.0)
    daemon.ports.plug(KEYS)
    daemon.run(1.0)
    daemon.play(60)
    daemon.run(0.1)
    assert instrument(daemon).ledger.notes[-1].sounding_key == 60
