"""Vowels that a knob leads through, measured partial by partial."""

from typing import Any

import numpy as np
import pytest

from config.sound import Sound
from tests.support.measure import db, partial_level
from tests.support.measure_sounds import part, steady_loudness
from tests.support.playing import RATE, Recording, control, on
from tests.support.takes import perform_dry

KEY, HZ, KNOB = 45, 110.0, 20
BODIES = [
    [{"hz": 650.0, "width_hz": 100.0}, {"hz": 1080.0, "width_hz": 100.0}],
    [{"hz": 400.0, "width_hz": 80.0}, {"hz": 800.0, "width_hz": 100.0}],
    [{"hz": 350.0, "width_hz": 80.0}],
]
BOUND = [{"control": KNOB, "target": "vowel"}]


def sung(*bodies: int) -> Sound:
    """Return a voice with these bodies, the first of them its own."""
    first, *others = (BODIES[each] for each in bodies)
    rank = {"harmonics": 16, "formants": first, "vowels": others, "floor_db": -30.0}
    return Sound.model_validate({"title": "T", "about": "T.", "ranks": [rank]})


def played(sound: Sound, *turns: tuple[int, int], **settings: Any) -> Recording:
    """Return a note; ``turns`` are frames, and where the knob is then."""
    events = [control(at, KNOB, value) for at, value in turns]
    return perform_dry("sung", [*events, on(480, KEY, 100)], 1.2, sound, **settings)


def levels_db(audio: Recording) -> list[float]:
    steady = part(audio, 0.6, 1.2)[:, 0]
    return [db(partial_level(steady, RATE, HZ * number)) for number in range(1, 17)]


@pytest.mark.parametrize(
    ("bodies", "value", "vowel"),
    [((0, 1, 2), 0, 0), ((0, 1, 2), 127, 2), ((0, 1), 127, 1), ((0, 2), 0, 0)],
)
@pytest.mark.parametrize("at", [0, 12_000])
def test_a_knob_turns_a_voice_to_another_vowel(
    bodies: tuple[int, ...], value: int, vowel: int, at: int
) -> None:
    turned = levels_db(played(sung(*bodies), (at, value), bindings=BOUND))
    assert turned == pytest.approx(levels_db(played(sung(vowel))), abs=0.05)


def test_halfway_lies_the_vowel_in_the_middle() -> None:
    there = levels_db(played(sung(0, 1, 2), (0, 63), bindings=BOUND))
    after = levels_db(played(sung(0, 1, 2), (0, 64), bindings=BOUND))
    middle = levels_db(played(sung(1)))
    assert np.abs(np.mean([there, after], axis=0) - middle).max() < 0.5


@pytest.mark.parametrize("value", [0, 64, 127])
def test_every_vowel_is_as_loud_as_the_first(value: int) -> None:
    first = steady_loudness(played(sung(0)))
    turned = steady_loudness(played(sung(0, 1, 2), (0, value), bindings=BOUND))
    assert turned == pytest.approx(first, abs=0.3)


def test_a_sound_without_vowels_does_not_feel_the_knob() -> None:
    turned = played(sung(0), (0, 90), (24_000, 10), bindings=BOUND)
    still = played(sung(0), bindings=BOUND)
    assert np.abs(turned - still).max() < 1e-5 * np.abs(still).max()


def test_the_shipped_voices_have_three() -> None:
    plain = perform_dry("sung-vowels", [on(0, 48, 100)], 1.0)
    for value in (64, 127):
        turned = perform_dry(
            "sung-vowels", [control(0, KNOB, value), on(0, 48, 100)], 1.0, bindings=BOUND
        )
        assert np.abs(turned - plain).max() > 0.2 * np.abs(plain).max()
