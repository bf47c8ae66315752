"""A key struck again: no copy of the note before, yet as loud; the same performance, to the bit."""

import numpy as np
import pytest

from tests.support.measure_sounds import correlation, power_db
from tests.support.playing import RATE, control, off, on
from tests.support.takes import BLOCK, PLAYED, perform_dry

pytestmark = pytest.mark.slow
AGAIN = 96 * BLOCK


@pytest.mark.parametrize("name", PLAYED)
def test_repeats_are_no_copies_and_equally_loud(name: str) -> None:
    silence = control(AGAIN * 3 // 4, 120, 0)
    both = perform_dry(name, [on(0, 60, 100), silence, on(AGAIN, 60, 100)], 2.0)
    first, second = both[: RATE // 2], both[AGAIN : AGAIN + RATE // 2]
    assert correlation(first[:, 0], second[:, 0]) < 0.98
    assert abs(power_db(first, second)) <= 0.5


@pytest.mark.parametrize("name", PLAYED)
def test_a_performance_sounds_the_same_to_the_bit_each_time(name: str) -> None:
    events = [on(0, 60, 100), on(300, 67, 80), off(9000, 60), on(12_000, 60, 90)]
    first, second = (perform_dry(name, events, 0.4) for _ in range(2))
    assert np.array_equal(first, second)
