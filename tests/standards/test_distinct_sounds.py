"""How far the sounds are apart: no two of them are nearly the same.

The distance is the root mean square, in dB, of the differences between the levels in the bands of
the ear's filters (ERB, B. R. Glasberg and B. C. J. Moore 1990), 0.1 to 0.5 s into notes on C3, C4
and C5 that begin equally loud. What is 60 dB below the loudest band counts as silent, and a band
in which neither sounds does not count.
"""

from functools import cache
from itertools import combinations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support.measure_sounds import erb_levels, part
from tests.support.takes import PLAYED, note

pytestmark = pytest.mark.slow
KEYS = (48, 60, 72)
SILENT_DB = -60.0
LEAST_DB = 6.0


@cache
def bands(name: str, key: int) -> NDArray[np.float64]:
    return erb_levels(part(note(name, key), 0.1, 0.5))


def distance_db(one: str, other: str) -> float:
    """Return how far two sounds are apart."""
    squares = []
    for key in KEYS:
        both = np.stack([bands(one, key), bands(other, key)])
        both = np.maximum(both - both.max(), SILENT_DB)
        heard = (both > SILENT_DB).any(axis=0)
        squares.append(np.square(both[0] - both[1])[heard].mean())
    return float(np.sqrt(np.mean(squares)))


@pytest.mark.parametrize("name", PLAYED)
def test_a_sound_is_apart_from_every_other(name: str) -> None:
    near = {each: distance_db(name, each) for each in PLAYED if each != name}
    assert min(near.values()) >= LEAST_DB, sorted(near.items(), key=lambda item: item[1])[:3]


def test_every_pair_has_one_distance() -> None:
    for one, other in combinations(PLAYED[:4], 2):
        assert distance_db(one, other) == pytest.approx(distance_db(other, one))
