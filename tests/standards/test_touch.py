"""What the force of a stroke changes, and what the swell changes beside the level.

The centroid is the mean frequency weighted by amplitude. Steps by family: a piano +8 to +15 % a
dynamic mark, mallets +10 to +20 %, a flute +3 to +8 %; pipes and free reeds on constant wind none
(J. Meyer, Acoustics and the Performance of Music, from memory).
"""

from itertools import pairwise

import numpy as np
import pytest

from config.library import shipped
from tests.support.acceptance import Measured
from tests.support.measure_sounds import centroid, loudness, part, power_db
from tests.support.takes import HARD, MIDDLING, OCTAVES, SOFT, VELOCITIES, note, of

pytestmark = pytest.mark.slow
STEPS = (HARD - SOFT) / 20
TOUCHED = of("struck", "plucked", "bar", "blown", "bell", "bowed", "sung")
BRIGHTER = {"wooden-flute": (0.024, 0.062)}
"""A flute's own range: +3 to +8 % a mark, of which there are three between these velocities."""
SWELLS_BY = {"wooden-flute": 0.14}
"""A flute's own: its centroid rises by +10 to +20 % from piano to forte."""


def brighter(name: str, key: int) -> float:
    """Return by how many octaves the centroid of the onset rises for 20 steps of velocity."""
    soft, hard = (centroid(part(note(name, key, each), 0.005, 0.065)) for each in (SOFT, HARD))
    return float(np.log2(hard / soft)) / STEPS


@pytest.mark.parametrize("name", of("struck", "plucked", "bar", "blown"))
def test_a_harder_stroke_is_brighter(name: str, measured: Measured) -> None:
    values = {key: brighter(name, key) for key in OCTAVES}
    measured("touch: octaves of the centroid for 20 steps", name, values,
             *BRIGHTER.get(name, (0.08, 0.25)))  # fmt: skip


@pytest.mark.parametrize("name", of("flue", "reed"))
def test_pipes_and_reeds_do_not_feel_the_stroke(name: str, measured: Measured) -> None:
    values = {key: abs(brighter(name, key)) for key in OCTAVES}
    measured("no touch: octaves of the centroid for 20 steps", name, values, 0.0, 0.03)
    for key in OCTAVES:
        soft, hard = (part(note(name, key, each), 0.5, 1.0) for each in (SOFT, HARD))
        assert abs(power_db(soft, hard)) <= 0.5


@pytest.mark.parametrize("name", TOUCHED)
def test_a_harder_stroke_is_louder_at_every_step(name: str) -> None:
    for key in OCTAVES:
        takes = [note(name, key, each) for each in (*VELOCITIES[:2], 100, HARD)]
        steps = [loudness(hard) - loudness(soft) for soft, hard in pairwise(takes)]
        assert min(steps) > 1.0, (key, steps)


# A. Palmer and J. Brown (JASA 90, 1991): the level follows the hammer's speed, that follows the
# velocity as its power of 1.2 (from memory), so 24·log10 of their ratio.
@pytest.mark.parametrize("name", of("struck"))
def test_a_hammer_s_string_is_as_loud_as_the_hammer_is_fast(name: str, measured: Measured) -> None:
    beyond = {
        (key, each): loudness(note(name, key, each))
        - loudness(note(name, key, HARD))
        - 24.0 * np.log10(each / HARD)
        for key in OCTAVES
        for each in (SOFT, MIDDLING)
    }
    measured("struck: dB beyond 24 log10 of the velocities", name, beyond, -1.5, 1.5)


# 40·log10(v/127) dB: 22.6 is 30 dB down (GM2 v1.2a section 3.3.6).
@pytest.mark.parametrize("name", of("bowed", "blown", "reed", "sung"))
def test_the_swell_brightens_what_it_makes_louder(name: str, measured: Measured) -> None:
    def held(key: int, velocity: int, swell: int) -> float:
        return centroid(part(note(name, key, velocity, 1.2, 60.0, swell), 0.5, 1.1))

    velocities = (HARD,) if shipped()[name].family == "reed" else (SOFT, HARD)
    values = {
        (key, each): float(np.log2(held(key, each, 127) / held(key, each, 23)))
        for key in OCTAVES
        for each in velocities
    }
    measured("crescendo: octaves of the centroid for 30 dB", name, values,
             SWELLS_BY.get(name, 0.3))  # fmt: skip
