"""The page of sliders without a screen: every move is heard, can be compared, and taken back."""

import ast
import inspect
import tomllib
from typing import Any

import pytest

from config.library import shipped
from config.rank import Effort, Rank
from config.sound import Envelope, Sound, Velocity
from config.space import Room
from config.targets import TARGETS
from config.toml.section import Section, limits
from daemon.shaping import sliders
from daemon.shaping.kept_text import file_of, text_with
from daemon.shaping.page import Page, named
from daemon.shaping.sliders import ROOM, opened, sliders_of, value_at, with_value


class Heard:
    """Takes down what is to be played."""

    def __init__(self) -> None:
        self.played: list[tuple[str, Any, float | None]] = []

    def shape(self, name: str, table: dict[str, Any] | None, room_db: float | None) -> None:
        self.played.append((name, table, room_db))


def page(name: str = "market-organ") -> Page:
    return Page(name, shipped()[name], Heard(), room_db=-30.0)


@pytest.mark.parametrize("name", list(shipped()))
def test_every_slider_of_every_sound_moves_to_both_ends_and_back(name: str) -> None:
    sound = shipped()[name]
    table = opened(sound)
    Sound.model_validate(table)
    for slider in sliders_of(table):
        if slider is ROOM:
            continue
        before = value_at(table, slider)
        for end in (slider.low, slider.high):
            assert value_at(with_value(table, slider, end), slider) == pytest.approx(end, rel=1e-3)
        one = with_value(table, slider, slider.moved(before, 1))
        Sound.model_validate(one)
        assert value_at(with_value(one, slider, before), slider) == pytest.approx(before, rel=1e-3)


MAKE_SLIDERS = ("Slider", "_as_bound", "_in_file", "bar")
IN_FILES: dict[str, tuple[type[Section], str]] = {
    "attack": (Envelope, "attack_s"),
    "ring": (Rank, "decay_s"),
    "decay": (Envelope, "decay_s"),
    "sustain": (Envelope, "sustain"),
    "release": (Envelope, "release_s"),
    "level": (Sound, "level_db"),
    "touch": (Velocity, "range_db"),
    "touch tone": (Velocity, "tilt_db"),
    "swell tone": (Effort, "swell_db"),
}


@pytest.mark.parametrize("name", list(shipped()))
def test_a_slider_and_a_knob_for_the_same_have_one_name_one_unit_and_one_range(name: str) -> None:
    sound = shipped()[name]
    for slider in sliders_of(opened(sound)):
        reach = slider.low, slider.high
        if slider.group in ("levels", "room"):
            row = TARGETS[slider.target]
            assert (slider.unit, *reach) == (row.unit, row.least, row.most)
            assert slider.target in ("room", "rank" if len(sound.ranks) > 1 else "partial")
        else:
            assert slider.target == (slider.name if slider.name in TARGETS else "")
            assert reach == limits(*IN_FILES[slider.name]), slider.name
    assert limits(Room, "level_db") == (ROOM.low, ROOM.high)


def test_no_range_is_written_on_the_page() -> None:
    """Whatever is called there with a number would be one; steps are names."""
    nodes = ast.walk(ast.parse(inspect.getsource(sliders)))
    calls = [node for node in nodes if isinstance(node, ast.Call)]
    made = [node for node in calls if getattr(node.func, "id", "") in MAKE_SLIDERS]
    assert len(made) > 10
    for node in made:
        given = [*node.args, *(each.value for each in node.keywords)]
        given = [each.operand if isinstance(each, ast.UnaryOp) else each for each in given]
        numbers = [each.value for each in given if isinstance(each, ast.Constant)]
        assert not [each for each in numbers if isinstance(each, int | float) and each != 0], node


def test_bars_stand_in_the_order_of_their_pitch() -> None:
    for sound in shipped().values():
        ratios = [each.ratio for each in sliders_of(opened(sound)) if each.group == "levels"]
        assert ratios == sorted(ratios)
        assert ratios


def test_a_move_is_heard_at_once() -> None:
    made = page()
    made.move(-3)
    name, table, room = made.heard.played[-1]  # type: ignore[attr-defined]
    assert (name, room) == ("market-organ", None)
    assert table == made.table != made.first
    assert made.said.startswith(made.selected.name)


def test_as_it_was_and_as_it_is_are_a_key_apart() -> None:
    made = page()
    made.move(-3)
    value = made.value(made.selected)
    made.compare()
    assert made.heard.played[-1] == ("market-organ", None, -30.0)  # type: ignore[attr-defined]
    assert made.value(made.selected) == value + 3
    made.compare()
    assert made.heard.played[-1][1] == made.table  # type: ignore[attr-defined]


def test_undo_takes_back_move_by_move_to_the_beginning() -> None:
    made = page()
    first = made.table
    for steps in (1, -2, 4):
        made.select(1)
        made.move(steps)
    for _ in range(3):
        made.undo()
    assert made.table == first
    assert not made.changed
    made.undo()
    assert made.said == "nothing to undo"


def test_the_room_is_moved_beside_the_sound() -> None:
    made = page()
    made.at = made.sliders.index(ROOM)
    made.move(6)
    assert made.heard.played[-1][2] == -24.0  # type: ignore[attr-defined]
    assert not made.changed
    made.undo()
    assert made.room_db == -30.0


def test_what_breaks_a_rule_is_said_and_not_heard() -> None:
    made = page("sine")
    made.table = made.table | {"title": ""}
    before = dict(made.table)
    made.move(1)
    assert "title" in made.said
    assert made.table == before
    assert made.heard.played == []  # type: ignore[attr-defined]


def test_sliders_are_found_by_the_beginning_of_their_names() -> None:
    made = page()
    place = named(made, "rele")
    assert place is not None
    assert made.sliders[place].name == "release"
    assert named(made, "nobody") is None


@pytest.mark.parametrize("name", list(shipped()))
def test_a_kept_file_has_the_new_values_and_every_remark_of_the_old_one(name: str) -> None:
    path = file_of(name)
    assert path is not None
    text = path.read_text("utf-8")
    made = page(name)
    for place in range(len(made.sliders) - 1):
        made.at = place
        made.move(-1)
    changed = text_with(text, made.table)
    remarks = [line for line in text.splitlines() if line.startswith("#")]
    assert [line for line in changed.splitlines() if line.startswith("#")] == remarks
    assert tomllib.loads(changed) == made.table


def test_a_remark_behind_a_value_and_the_order_of_keys_stay() -> None:
    text = 'title = "Mine"  # the name\nabout = "x"\n\n[partials] # four\n'
    text += "level_db = [\n  0.0, # low\n  -6.0,\n]\n"
    table = {"title": "Mine", "about": "x", "partials": {"level_db": [0.0, -9.5]}}
    changed = text_with(text, table)
    assert changed == text.replace("-6.0", "-9.5")
