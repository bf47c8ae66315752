"""What a touch changes besides level and tone."""

import numpy as np
import pytest

from config.sound import Sound
from tests.support.playing import RATE, on, play, settings_for

ATTACK_S = 0.04
STEP = 16
"""Attacks are alike in steps of so many velocities."""


def attack_s(velocity: int, octaves: float) -> float:
    """Return how long a sine takes from its onset to its highest level, struck like this."""
    table = {
        "title": "Touched",
        "about": "A sine whose attack a touch changes.",
        "partials": {"count": 1},
        "envelope": {"attack_s": ATTACK_S, "decay_s": 600.0, "sustain": 1.0},
        "effort": {"attack_octaves": octaves},
    }
    sounds = {"x": Sound.model_validate(table)}
    heard = play([on(0, 84, velocity)], RATE // 4, settings=settings_for("x"), sounds=sounds)
    level = np.abs(heard[:, 0]).reshape(-1, 48).max(axis=1)
    half = level[-1] / 2
    return 2 * float(np.argmax(level >= half)) * 48 / RATE  # half of a cosine is there half-way


@pytest.mark.parametrize("octaves", [1.0, 2.0])
def test_a_soft_stroke_rises_as_much_more_slowly_as_the_sound_says(octaves: float) -> None:
    usual = attack_s(100, octaves)
    assert usual == pytest.approx(ATTACK_S, rel=0.06)
    assert attack_s(1, octaves) / attack_s(127, octaves) == pytest.approx(2.0**octaves, rel=0.08)
    assert attack_s(1, octaves) > attack_s(STEP * 3, octaves) > usual > attack_s(127, octaves)


def test_without_effort_every_stroke_rises_alike() -> None:
    assert attack_s(1, 0.0) == attack_s(127, 0.0) == pytest.approx(ATTACK_S, rel=0.06)
