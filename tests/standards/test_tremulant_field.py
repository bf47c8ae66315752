"""The tremulant as it is played: by CC 92 and by the settings, on the instrument's own sound.

Bounds as in the unit tests: 4 to 7.5 a second, 1 to 8 dB and 5 to 60 cents from low to high (common
practice; J. Liljencrants).
"""

import numpy as np
import pytest
from scipy import signal

from tests.support.acceptance import Measured
from tests.support.measure import Levels
from tests.support.measure_sounds import beat, correlation, envelope, part
from tests.support.playing import RATE, Recording, control, on
from tests.support.takes import OCTAVES, of, perform_dry

pytestmark = pytest.mark.slow
NAME, KEY, HZ = "stopped-flute", 72, 523.2511
HELD = [on(0, KEY, 100)]


@pytest.mark.parametrize(("value", "least_db", "most_db"), [(48, 1.0, 3.0), (127, 2.0, 8.0)])
def test_the_effects_knob_sets_how_deep_it_swings(
    value: int, least_db: float, most_db: float
) -> None:
    audio = perform_dry(NAME, [*HELD, control(RATE // 2, 92, value)], 6.0)
    rate, depth_db = beat(part(envelope(audio, HZ, 60.0), 3.5, 5.8))
    assert 4.0 <= rate <= 7.5
    assert least_db <= depth_db <= most_db


def smooth_level(audio: Recording) -> Levels:
    window = np.hanning(0.03 * RATE)
    power = np.square(audio, dtype=np.float64).sum(axis=1)
    return np.asarray(np.sqrt(signal.fftconvolve(power, window, "same")))


@pytest.mark.parametrize(
    "name", of("flue", "reed", "bowed", "blown", "sung", "glass", "drone", "bell")
)
def test_it_takes_hold_of_every_sound_that_lasts(name: str, measured: Measured) -> None:
    """As the swing that it adds to the level of the whole, smoothed over 30 ms."""
    rates, depths = {}, {}
    for key in (OCTAVES[0], OCTAVES[-1]):
        still = perform_dry(name, [on(0, key, 100)], 3.0)
        swung = perform_dry(name, [control(0, 92, 127), on(0, key, 100)], 3.0)
        levels = smooth_level(swung) / smooth_level(still)
        rates[key], depths[key] = beat(part(levels, 1.5, 2.9))
    measured("tremulant by CC 92: hertz", name, rates, 4.0, 7.5)
    measured("tremulant by CC 92: dB", name, depths, 1.0, 8.0)


def test_without_it_a_note_stands_still() -> None:
    plain = perform_dry(NAME, HELD, 2.0)
    assert np.array_equal(plain, perform_dry(NAME, [*HELD, control(RATE // 2, 92, 0)], 2.0))
    _, depth_db = beat(part(envelope(plain, HZ, 60.0), 0.8, 1.8))
    assert depth_db < 0.1


def test_a_rotor_s_sides_are_out_of_step() -> None:
    rotor = {"kind": "rotor", "depth": 1.0, "level_db": 6.0}
    audio = perform_dry(NAME, HELD, 6.0, tremulant=rotor)
    sides = [envelope(audio[:, [side, side]], HZ, 60.0) for side in (0, 1)]
    left, right = (part(each, 4.0, 5.8) - part(each, 4.0, 5.8).mean() for each in sides)
    assert abs(correlation(left, right)) < 0.3
