"""MidiLearn which knob is meant, and keeping it."""

import tomllib
from pathlib import Path

import pytest

from config.bindings import Binding
from config.layers import load
from config.settings import Settings
from daemon.keeper.midi_learn import PATIENCE_S, TRAVELLED, MidiLearn, bound
from daemon.midi.channel_state import ChannelState
from daemon.storage.learned import LearnedFile

OTHERS = {(0, 0, 74): 60, (0, 0, 20): 10}


def begun(target: str = "tilt", partial: int = 0) -> MidiLearn:
    learning = MidiLearn()
    learning.begin(target, partial, OTHERS, 0.0)
    return learning


def test_the_knob_that_travels_farthest_is_the_one_that_is_meant() -> None:
    learning = begun()
    assert learning.look(OTHERS | {(0, 0, 74): 63}, 1.0) is None
    found = learning.look(OTHERS | {(0, 0, 74): 63, (0, 0, 20): 90}, 2.0)
    assert found is not None
    assert (found.address, found.binding) == ((0, 0, 20), Binding(control=20, target="tilt"))
    assert learning.state == "bound"
    assert learning.look(OTHERS, 3.0) is None


def test_a_trembling_knob_is_not_taken() -> None:
    learning = begun()
    for value in (10 + TRAVELLED - 1, 10, 10 - 5):
        assert learning.look(OTHERS | {(0, 0, 20): value}, 1.0) is None


def test_positions_sent_at_plugging_in_are_no_movement_but_what_follows_is() -> None:
    learning = begun()
    dump = {(1, 0, number): 100 for number in range(16, 24)}
    assert learning.look(OTHERS | dump, 1.0) is None
    found = learning.look(OTHERS | dump | {(1, 0, 18): 40}, 2.0)
    assert found is not None
    assert found.address == (1, 0, 18)


def test_pedals_banks_and_parameter_numbers_are_no_knobs() -> None:
    learning = begun()
    for number in (0, 32, 6, 38, 64, 66, 98, 101, 121):
        learning.look(OTHERS | {(0, 0, number): 0}, 1.0)
        assert learning.look(OTHERS | {(0, 0, number): 127}, 2.0) is None


def test_it_gives_up_after_a_while() -> None:
    learning, states = begun(), []
    for seconds in (PATIENCE_S - 1, PATIENCE_S):
        assert learning.look(OTHERS, seconds) is None
        states.append(learning.state)
    assert states == ["waiting", "given up"]


def test_the_reply_names_control_and_controller_once_they_are_known() -> None:
    learning = begun()
    names = {1: "Cargo Bike Keys 25"}
    reply = learning.plain(names.__getitem__, kept=True)
    assert (reply["state"], reply["control"], reply["controller"]) == ("waiting", None, "")
    learning.look({(1, 0, 20): 10}, 1.0)
    learning.look({(1, 0, 20): 90}, 2.0)
    assert learning.plain(names.__getitem__, kept=False) == {
        "state": "bound",
        "patience_s": PATIENCE_S,
        "control": 20,
        "controller": "Cargo Bike Keys 25",
        "kept": False,
    }


def test_a_partial_must_be_named_exactly_when_it_is_needed() -> None:
    with pytest.raises(ValueError, match="partial"):
        begun("partial")
    with pytest.raises(ValueError, match="partial"):
        begun("tilt", 3)
    assert begun("partial", 3).state == "waiting"


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
    for write in waiting:
        write()
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
    waiting[0]()
    assert load(usual=usual).settings.bindings == new
