"""What velocity does to the level and the tone of sounds of ranks, key by key."""

from typing import Any

import pytest

from config.sound import Sound
from daemon.drawing.shown_partials import partials_of
from tests.support.measure import db
from tests.support.measure_sounds import centroid, loudness, part
from tests.support.playing import on
from tests.support.takes import perform_dry
from voices.curves import velocity_gain


def made(velocity: dict[str, float], **rank: Any) -> Sound:
    ranks = [{"harmonics": 8, "slope_db": -3.0, **rank}]
    return Sound.model_validate({"title": "T", "about": "T.", "ranks": ranks, "velocity": velocity})


@pytest.mark.parametrize("key", [36, 84])
def test_a_soft_stroke_is_as_soft_as_the_law_says_however_dull_it_is(key: int) -> None:
    sound = made({"range_db": 20.0, "tilt_db": 9.0})
    hard, soft = (loudness(perform_dry("t", [on(0, key, v)], 0.6, sound)) for v in (127, 30))
    assert soft - hard == pytest.approx(db(velocity_gain(30, 20.0)), abs=0.3)


def test_a_key_an_octave_higher_has_more_tilt_by_as_much_as_is_said() -> None:
    def duller(key: int, **velocity: float) -> float:
        sound = made({"range_db": 0.0, **velocity})
        hard, soft = (
            centroid(part(perform_dry("t", [on(0, key, v)], 0.3, sound), 0.05, 0.3))
            for v in (127, 1)
        )
        return hard / soft

    high = duller(84, tilt_db=2.0, tilt_per_octave_db=2.0)
    assert high == pytest.approx(duller(84, tilt_db=6.0), rel=1e-3)
    assert duller(36, tilt_db=2.0, tilt_per_octave_db=2.0) == pytest.approx(1.0, abs=1e-3)


def test_two_slopes_by_key_count_below_c4_and_above_it() -> None:
    def second(key: int, slope_db: Any) -> float:
        low, high, *_ = partials_of(made({}, keys={"slope_db": slope_db}), key)
        return high.level / low.level

    assert second(48, [-2.0, 3.0]) == second(48, -2.0)
    assert second(72, [-2.0, 3.0]) == second(72, 3.0)


def test_a_sound_of_one_column_has_one_tilt_for_all_keys() -> None:
    columns = {"title": "T", "about": "T.", "partials": {"count": 2}}
    with pytest.raises(ValueError, match="tilt_per_octave_db: must be left out"):
        Sound.model_validate({**columns, "velocity": {"tilt_per_octave_db": 1.0}})
