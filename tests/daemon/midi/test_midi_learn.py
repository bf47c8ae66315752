"""MidiLearn which knob is meant, and keeping it."""

import tomllib
from pathlib import Path

import pytest

from config.bindings import Binding
from config.layers import load
from config.settings import Settings
from daemon.midi.channel_state import ChannelState
from daemon.midi.midi_learn import PATIENCE_S, TRAVELLED, Found, MidiLearn, bound
from daemon.storage.learned import LearnedFile


class Bench:
    """A controller's messages, and what is learned from them."""

    def __init__(self, target: str = "tilt", number: int = 0) -> None:
        self.state = ChannelState()
        self.learning = MidiLearn()
        self.send(0xB0, 74, 60)
        self.send(0xB0, 20, 10)
        self.learning.begin(target, number, 0.0)
        self.state.watch()

    def send(self, *message: int, controller: int = 0) -> None:
        self.state.record(message, controller)

    def look(self, now_s: float = 1.0) -> Found | None:
        return self.learning.look(self.state.travels(), now_s)


def test_the_knob_that_travels_farthest_is_the_one_that_is_meant() -> None:
    bench = Bench()
    bench.send(0xB0, 74, 63)
    assert bench.look() is None
    bench.send(0xB0, 20, 90)
    found = bench.look()
    assert found is not None
    assert (found.address, found.binding) == ((0, 0, 20), Binding(control=20, target="tilt"))
    assert bench.learning.state == "bound"
    assert bench.look() is None


def test_a_trembling_knob_is_not_taken() -> None:
    bench = Bench()
    for value in (10 + TRAVELLED - 6, 10, 10 - 5):
        bench.send(0xB0, 20, value)
        assert bench.look() is None


def test_a_knob_that_is_back_where_it_was_has_been_moved_all_the_same() -> None:
    bench = Bench()
    for value in (127, 10):
        bench.send(0xB0, 20, value)
    assert bench.look() is not None


def test_positions_sent_at_plugging_in_are_no_movement_but_what_follows_is() -> None:
    bench = Bench()
    for number in range(16, 24):
        bench.send(0xB0, number, 100, controller=1)
    assert bench.look() is None
    bench.send(0xB0, 18, 40, controller=1)
    found = bench.look()
    assert found is not None
    assert found.address == (1, 0, 18)


def test_pedals_banks_and_parameter_numbers_are_no_knobs() -> None:
    bench = Bench()
    for number in (0, 32, 6, 38, 64, 66, 98, 101, 121):
        bench.send(0xB0, number, 0)
        bench.send(0xB0, number, 127)
        assert bench.look() is None


def test_the_fine_half_of_a_knob_is_none_of_its_own() -> None:
    """It runs from end to end while its knob moves by a step (MIDI 1.0, p. 12)."""
    bench = Bench()
    for fine in (0, 127):
        bench.send(0xB0, 20, 10)
        bench.send(0xB0, 52, fine)
        assert bench.look() is None
    bench.send(0xB0, 40, 0)
    bench.send(0xB0, 40, 100)
    found = bench.look()
    assert found is not None
    assert found.binding.control == 40


@pytest.mark.parametrize(
    ("source", "rest", "little", "far"),
    [
        ("pitch_bend", (0xE0, 0, 64), (0xE0, 0, 90), (0xE0, 0, 0)),
        ("channel_pressure", (0xD0, 0), (0xD0, 40), (0xD0, 100)),
        ("key_pressure", (0xA0, 60, 0), (0xA0, 60, 40), (0xA0, 60, 100)),
    ],
)
def test_wheel_and_pressure_are_learned_when_they_go_farther_than_in_play(
    source: str, rest: tuple[int, ...], little: tuple[int, ...], far: tuple[int, ...]
) -> None:
    bench = Bench()
    for message in (rest, little, rest):
        bench.send(*message)
        assert bench.look() is None
    bench.send(*far)
    bench.send(*rest)
    found = bench.look()
    assert found is not None
    assert found.binding.control == source


def test_it_gives_up_after_a_while() -> None:
    bench, states = Bench(), []
    for seconds in (PATIENCE_S - 1, PATIENCE_S):
        assert bench.look(seconds) is None
        states.append(bench.learning.state)
    assert states == ["waiting", "given up"]


def test_the_reply_names_control_and_controller_once_they_are_known() -> None:
    bench = Bench()
    names = {1: "Cargo Bike Keys 25"}
    reply = bench.learning.plain(names.__getitem__)
    assert (reply["state"], reply["control"], reply["controller"]) == ("waiting", None, "")
    for value in (10, 90):
        bench.send(0xB0, 20, value, controller=1)
    bench.look()
    assert bench.learning.plain(names.__getitem__) == {
        "state": "bound",
        "patience_s": PATIENCE_S,
        "control": 20,
        "controller": "Cargo Bike Keys 25",
    }


def test_a_partial_must_be_named_exactly_when_it_is_needed() -> None:
    with pytest.raises(ValueError, match="partial"):
        Bench("partial")
    with pytest.raises(ValueError, match="partial"):
        Bench("tilt", 3)
    with pytest.raises(ValueError, match="rank"):
        Bench("rank", 33)
    assert Bench("partial", 3).learning.state == "waiting"


def test_a_knob_has_one_meaning_and_a_target_one_knob() -> None:
    old: list[Binding] = [
        Binding(control=74, target="tilt"),
        Binding(control=72, target="release"),
    ]
    new = Binding(control=72, target="tilt")
    assert bound(old, new) == [new]
    third = Binding(control=20, target="partial", partial=3)
    assert bound([*old, third], Binding(control=21, target="partial", partial=4))[:3] == [
        *old,
        third,
    ]


def test_the_channel_state_has_every_control() -> None:
    channel_state = ChannelState()
    channel_state.record((0xB3, 20, 99), 1)
    assert channel_state.controls() == {(1, 3, 20): 99}


def test_what_is_kept_holds_until_the_owner_says_something_else(tmp_path: Path) -> None:
    owner, learned, boot = (tmp_path / name for name in ("owner", "learned", "boot"))
    usual = (owner, learned, boot)
    owner.write_text("[[bindings]]\ncontrol = 74\ntarget = 'tilt'\n")
    learned.write_text('sound = { name = "sine" }\n')
    waiting = []
    new = [Binding(control=20, target="partial", partial=3, low=-30.0)]
    LearnedFile(lambda name, write: waiting.append(write), path=learned).keep_bindings(new, owner)
    waiting[0]()()
    assert load(usual=usual).settings.bindings == new
    assert tomllib.loads(learned.read_text())["sound"] == {"name": "sine"}
    owner.write_text("polyphony = 3\n[[bindings]]\ncontrol = 74\ntarget = 'tilt'\n")
    assert load(usual=usual).settings.bindings == new
    owner.write_text("[[bindings]]\ncontrol = 75\ntarget = 'tilt'\n")
    assert [each.control for each in load(usual=usual).settings.bindings] == [75]


def test_what_is_kept_beside_a_file_without_bindings_holds_too(tmp_path: Path) -> None:
    usual = tuple(tmp_path / name for name in ("owner", "learned", "boot"))
    waiting = []
    new = bound(Settings().bindings, Binding(control=20, target="volume"))
    LearnedFile(lambda name, write: waiting.append(write), path=usual[1]).keep_bindings(
        new, usual[0]
    )
    waiting[0]()()
    assert load(usual=usual).settings.bindings == new
