"""How far the sounds are apart: no two of them are nearly the same.

The distance is the root mean square, in dB, of the differences between the levels in the bands of
the ear's filters (ERB, B. R. Glasberg and B. C. J. Moore 1990), 0.1 to 0.5 s into notes from C2 to
C7 at one velocity. What is 60 dB below the loudest band counts as silent, and a band in which
neither sounds does not count.
"""

from functools import cache
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from config.library import shipped
from tests.support.acceptance import Measured
from tests.support.measure_sounds import erb_levels, part
from tests.support.takes import HARD, OCTAVES, PLAYED, VELOCITIES, note

pytestmark = pytest.mark.slow
SILENT_DB = -60.0
LEAST_DB = 6.0


@cache
def bands(name: str, key: int, velocity: int) -> NDArray[np.float64]:
    felt = velocity if shipped()[name].velocity.range_db else HARD
    return erb_levels(part(note(name, key, felt), 0.1, 0.5))


def distance_db(one: str, other: str, velocity: int = HARD) -> float:
    """Return how far two sounds are apart."""
    squares = []
    for key in OCTAVES:
        both = np.stack([bands(one, key, velocity), bands(other, key, velocity)])
        both = np.maximum(both - both.max(), SILENT_DB)
        heard = (both > SILENT_DB).any(axis=0)
        squares.append(np.square(both[0] - both[1])[heard].mean())
    return float(np.sqrt(np.mean(squares)))


@pytest.mark.parametrize("name", PLAYED)
def test_a_sound_is_apart_from_every_other(name: str, measured: Measured) -> None:
    others = [each for each in PLAYED if each != name]
    near = {(each, v): distance_db(name, each, v) for each in others for v in VELOCITIES}
    measured("dB from every other sound", name, near, LEAST_DB)


def test_every_pair_has_one_distance() -> None:
    for one, other in combinations(PLAYED[:4], 2):
        assert distance_db(one, other) == pytest.approx(distance_db(other, one))
