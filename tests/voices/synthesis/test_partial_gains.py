"""The gains of partials: what a tilt does above the key, and what it leaves alone below it."""

import pytest

from tests.support.measure import db, partial_level
from tests.support.playing import RATE, control, on, play, settings_for, sound

KEY, KEY_HZ = 69, 440.0
TILTED = sound([0.0] * 4, ratio=[0.25, 0.5, 1.0, 4.0], velocity={"range_db": 0.0, "tilt_db": 6.0})


def levels_db(*controls: tuple[int, int], velocity: int = 127) -> list[float]:
    """Return the level of each partial with controllers at values before the note."""
    events = [*(control(0, *each) for each in controls), on(960, KEY, velocity)]
    heard = play(events, RATE, settings=settings_for("x"), sounds={"x": TILTED})[RATE // 2 :, 0]
    return [db(partial_level(heard, RATE, KEY_HZ * ratio)) for ratio in (0.25, 0.5, 1.0, 4.0)]


@pytest.mark.parametrize(
    ("darker", "velocity"),
    [((74, 0), 127), ((67, 127), 127), ((74, 64), 1)],
    ids=["brightness at 0", "the soft pedal", "the softest velocity"],
)
def test_what_lies_below_the_key_is_no_louder_for_a_darker_sound(
    darker: tuple[int, int], velocity: int
) -> None:
    plain, dark = levels_db(), levels_db(darker, velocity=velocity)
    gains = [after - before for before, after in zip(plain, dark, strict=True)]
    assert gains[:2] == pytest.approx([gains[2]] * 2, abs=0.01)  # as the key itself
    assert gains[2] <= 0.01
    assert gains[3] < gains[2] - 2.0


def test_a_brighter_sound_is_quieter_below_the_key_and_louder_above() -> None:
    plain, bright = levels_db(), levels_db((74, 127))
    gains = [after - before for before, after in zip(plain, bright, strict=True)]
    assert gains[0] < gains[1] < gains[2] == pytest.approx(0.0, abs=0.01)
    assert gains[3] > 2.0
