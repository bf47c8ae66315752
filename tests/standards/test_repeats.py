"""A key struck again: no copy of the note before, yet as loud; the same performance, to the bit."""

import numpy as np
import pytest

from tests.support.acceptance import Measured
from tests.support.measure_sounds import correlation, power_db
from tests.support.playing import RATE, control, off, on
from tests.support.takes import BLOCK, OCTAVES, PLAYED, VELOCITIES, perform_dry

pytestmark = pytest.mark.slow
AGAIN = 96 * BLOCK


@pytest.mark.parametrize("name", PLAYED)
def test_repeats_are_no_copies_and_equally_loud(name: str, measured: Measured) -> None:
    alike, apart_db = {}, {}
    silence = control(AGAIN * 3 // 4, 120, 0)
    for key, velocity in zip(OCTAVES, 2 * VELOCITIES, strict=True):
        events = [on(0, key, velocity), silence, on(AGAIN, key, velocity)]
        both = perform_dry(name, events, 1.6)
        first, second = both[: RATE // 2], both[AGAIN : AGAIN + RATE // 2]
        alike[key] = correlation(first[:, 0], second[:, 0])
        apart_db[key] = abs(power_db(first, second))
    measured("a key again: correlation with the first time", name, alike, -1.0, 0.98)
    measured("a key again: dB from the first time", name, apart_db, 0.0, 0.5)


@pytest.mark.parametrize("name", PLAYED)
def test_a_performance_sounds_the_same_to_the_bit_each_time(name: str) -> None:
    events = [on(0, 60, 100), on(300, 67, 80), off(9000, 60), on(12_000, 60, 90)]
    first, second = (perform_dry(name, events, 0.4) for _ in range(2))
    assert np.array_equal(first, second)
