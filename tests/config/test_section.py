"""Sections: read strictly and as a whole, frozen, and written back as they came."""

from collections.abc import Mapping
from copy import deepcopy
from typing import Annotated, Any, Literal

import pytest

from config.settings import Audio, Settings
from config.toml.field import After, Field, checks, checks_whole
from config.toml.section import Section, SectionError


def _shouted(word: str) -> str:
    if word.islower():
        raise ValueError("must be shouted")
    return word.strip("!")


class Wheel(Section):
    spokes: int = Field(ge=3, le=64)
    words: Annotated[str, After(_shouted)] = "HONK"

    @property
    def even(self) -> bool:
        return self.spokes % 2 == 0


class Bike(Section):
    name: str = Field(default="", max_length=8)
    gear: Literal["fixed", 3, 8] = "fixed"
    load_kg: float | None = Field(default=None, ge=0.0, le=250.0)
    prices: float | list[float] = 0.0
    wheels: list[Wheel] = Field(default=[], max_length=3)
    front: Wheel = Wheel(spokes=36)
    boxes: dict[str, Annotated[int, Field(ge=1)]] = Field(default={})
    bell: bool = False

    @checks("bell")
    @classmethod
    def _rings_only_with_a_name(cls, bell: bool, before: Mapping[str, Any]) -> bool:
        if bell and not before.get("name"):
            raise ValueError("must be false without a name")
        return bell

    @checks_whole
    def _two_wheels_are_alike(self) -> None:
        if len({wheel.spokes for wheel in self.wheels}) > 1:
            raise ValueError("wheels: must be alike")


def faults_of(plain: Any) -> list[tuple[tuple[int | str, ...], str]]:
    with pytest.raises(SectionError) as caught:
        Bike.model_validate(plain)
    return [(each.steps, each.rule) for each in caught.value.faults]


def test_what_is_not_given_is_at_its_default_and_each_has_lists_of_its_own() -> None:
    one, other = Bike(), Bike.model_validate({})
    assert one == other
    assert (one.wheels, one.front.words) == ([], "HONK")
    assert one.wheels is not other.wheels


def test_values_of_the_wrong_form_are_refused_and_a_whole_number_does_for_a_decimal_one() -> None:
    assert Bike(load_kg=80).load_kg == 80.0
    assert isinstance(Bike(load_kg=80).load_kg, float)
    assert Bike(prices=[1, 2.5]).prices == [1.0, 2.5]
    for key, wrong in (
        *(("name", 3), ("bell", 1), ("load_kg", True), ("load_kg", "80"), ("load_kg", 10**400)),
        *(("load_kg", float("nan")), ("gear", 3.0), ("gear", "none"), ("prices", "dear")),
        *(("wheels", {}), ("boxes", []), ("front", 3), ("front", None)),
    ):
        assert {steps for steps, _ in faults_of({key: wrong})} == {(key,)}, key


def test_every_fault_is_found_at_once_each_in_its_place() -> None:
    wrong = {
        "name": "far too long",
        "bell": True,
        "wheels": [{"spokes": 36}, {"spokes": 2, "words": "honk"}, {}],
        "boxes": {"left": 0},
        "horn": 1,
    }
    assert faults_of(wrong) == [
        (("name",), "may have at most 8 characters"),
        (("wheels", 1, "spokes"), "must be 3 to 64"),
        (("wheels", 1, "words"), "must be shouted"),
        (("wheels", 2, "spokes"), "must be given"),
        (("boxes", "left"), "must be 1 or more"),
        (("bell",), "must be false without a name"),
        (("horn",), "unknown key"),
    ]


def test_of_a_list_that_is_too_long_no_item_is_looked_at() -> None:
    assert faults_of({"wheels": [{}] * 4}) == [(("wheels",), "may have at most 3 items")]


def test_a_rule_on_the_whole_is_looked_at_once_all_its_parts_are_right() -> None:
    unlike = [{"spokes": 36}, {"spokes": 32}]
    assert faults_of({"wheels": unlike}) == [((), "wheels: must be alike")]
    assert faults_of({"wheels": unlike, "bell": 1}) == [
        (("bell",), "must be true or false, not a whole number")
    ]


def test_it_is_written_back_as_it_came_or_whole() -> None:
    plain = {"name": "Organ", "wheels": [{"spokes": 36, "words": "HONK!"}], "boxes": {"a": 1}}
    bike = Bike.model_validate(plain)
    assert bike.given == plain.keys()
    assert bike.wheels[0].words == "HONK"
    as_it_came = bike.model_dump(exclude_unset=True)
    assert as_it_came == plain | {"wheels": [{"spokes": 36, "words": "HONK"}]}
    assert Bike.model_validate(as_it_came) == bike
    assert Bike.model_validate(bike.model_dump()) == bike
    assert bike.model_dump().keys() == Bike.fields().keys()
    assert "load_kg" not in bike.model_dump(exclude_none=True)
    assert bike.model_dump(exclude_defaults=True) == {
        "name": "Organ",
        "wheels": [{"spokes": 36}],
        "boxes": {"a": 1},
    }
    as_it_came["boxes"]["a"] = 2
    assert bike.boxes == {"a": 1}


def test_a_copy_differs_in_what_is_said_and_the_first_stays() -> None:
    bike = Bike(name="Organ")
    other = bike.model_copy(update={"bell": True})
    assert (bike.bell, other.bell, other.name) == (False, True, "Organ")
    assert other.given == {"name", "bell"}
    assert deepcopy(other) == other
    assert other != bike


def test_nothing_in_it_can_be_changed() -> None:
    with pytest.raises(AttributeError, match="frozen"):
        Bike().name = "other"  # type: ignore[misc]


def test_sections_that_were_made_before_are_taken_as_they_are() -> None:
    wheel = Wheel(spokes=36)
    assert Bike(front=wheel, wheels=[wheel]).wheels[0] is wheel
    assert Settings(audio=Audio(block_frames=128)).audio.block_frames == 128
    with pytest.raises(SectionError):
        Settings(audio=wheel)  # type: ignore[arg-type]
