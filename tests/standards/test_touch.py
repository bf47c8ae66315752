"""What the force of a stroke changes, and what the swell changes beside the level.

The centroid is the mean frequency weighted by amplitude. Steps by family: a piano +8 to +15 % a
dynamic mark, mallets +10 to +20 %; pipes and free reeds on constant wind none (J. Meyer, Acoustics
and the Performance of Music, from memory).
"""

from itertools import pairwise

import numpy as np
import pytest

from tests.support.measure_sounds import centroid, part, power_db
from tests.support.takes import note, of

pytestmark = pytest.mark.slow
C4 = 60


def brighter(name: str) -> float:
    """Return by how many octaves the centroid of the onset rises for 20 steps of velocity."""
    soft, hard = (centroid(part(note(name, C4, each), 0.005, 0.065)) for each in (20, 100))
    return float(np.log2(hard / soft)) / 4


@pytest.mark.parametrize("name", of("struck", "plucked", "bar", "blown"))
def test_a_harder_stroke_is_brighter(name: str) -> None:
    assert 0.08 <= brighter(name) <= 0.25


@pytest.mark.parametrize("name", of("flue", "reed"))
def test_pipes_and_reeds_do_not_feel_the_stroke(name: str) -> None:
    assert abs(brighter(name)) <= 0.03
    soft, hard = (part(note(name, C4, each), 0.5, 1.0) for each in (30, 120))
    assert abs(power_db(soft, hard)) <= 0.5


@pytest.mark.parametrize("name", of("struck", "plucked", "bar", "blown", "bell", "bowed", "sung"))
def test_a_harder_stroke_is_louder_at_every_step(name: str) -> None:
    takes = [note(name, C4, each) for each in (20, 60, 100, 127)]
    steps = [power_db(hard, soft) for soft, hard in pairwise(takes)]
    assert min(steps) > 1.0, steps


# 40·log10(v/127) dB: 22.6 is 30 dB down (GM2 v1.2a section 3.3.6).
@pytest.mark.parametrize("name", of("bowed", "blown", "reed", "sung"))
def test_the_swell_brightens_what_it_makes_louder(name: str) -> None:
    low, high = (centroid(part(note(name, C4, 100, 1.5, 60.0, s), 0.5, 1.4)) for s in (23, 127))
    assert np.log2(high / low) >= 0.3
