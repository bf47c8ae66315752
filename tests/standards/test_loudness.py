"""How evenly loud each sound is over the compass, and what a small loudspeaker leaves of them.

Loudness after ITU-R BS.1770-4, A-weighting after IEC 61672-1. A loudspeaker of 5 cm falls off
below about 200 Hz; the pitch stays where partials between 300 Hz and 2 kHz are left (R. Plomp,
JASA 41 (1967), for the dominance of those).
"""

import numpy as np
import pytest

from config.library import shipped
from config.settings import Settings
from tests.support.acceptance import Measured
from tests.support.measure_sounds import (
    a_weighted_db,
    loudness,
    part,
    passed,
    spectrum,
    steady_loudness,
)
from tests.support.takes import COMPASS, HARD, OCTAVES, PLAYED, SOFT, VELOCITIES, note, of

pytestmark = pytest.mark.slow
SMALL_HZ = 200.0
C2 = 36
HELD = of("flue", "reed", "bowed", "blown", "sung", "glass", "drone")
HELD_S = 3.0
"""Long enough for tones that beat."""


def spread(name: str, velocity: int, keys: range) -> float:
    held = name in HELD
    measure, seconds = (steady_loudness, HELD_S) if held else (loudness, 1.2)
    heard = [measure(note(name, key, velocity, seconds)) for key in keys]
    return max(heard) - min(heard)


@pytest.mark.parametrize("name", PLAYED)
def test_no_key_is_much_louder_than_another(name: str, measured: Measured) -> None:
    values = {100: spread(name, 100, COMPASS)}
    if shipped()[name].velocity.range_db:
        values |= {each: spread(name, each, OCTAVES) for each in (SOFT, HARD)}
    measured("LU between the keys from C2 to C7", name, values, 0.0, 3.0)


@pytest.mark.parametrize("name", PLAYED)
def test_a_small_loudspeaker_keeps_the_bass_audible(name: str, measured: Measured) -> None:
    values = {}
    for each in VELOCITIES:
        whole = note(name, C2, each)
        small = passed(whole, "high", SMALL_HZ)  # 24 dB an octave
        values[each] = loudness(whole) - loudness(small)
        assert a_weighted_db(whole) - a_weighted_db(small) <= 6.0
    measured("C2 on a small loudspeaker: LU that it costs", name, values, high=6.0)


# Bars and bells have too few partials, and strings that ring lose theirs one after the other.
@pytest.mark.parametrize("name", HELD)
def test_a_small_loudspeaker_is_left_enough_partials_to_hear_the_pitch_by(name: str) -> None:
    hertz, amplitudes = spectrum(part(note(name, C2), 0.1, 0.6))
    decibels = 20 * np.log10(amplitudes / amplitudes[hertz > SMALL_HZ].max())
    peaks = (amplitudes[1:-1] > amplitudes[:-2]) & (amplitudes[1:-1] > amplitudes[2:])
    heard = peaks & (decibels[1:-1] > -12.0) & (hertz[1:-1] > 270.0) & (hertz[1:-1] < 2000.0)
    assert heard.sum() >= 3


def test_what_plays_without_a_choice_suits_twelve_keys_without_velocity_and_a_small_box() -> None:
    name = Settings().sound.name
    for key in COMPASS:
        soft, hard = (note(name, key, each, 0.4) for each in (SOFT, HARD))
        assert np.array_equal(soft, hard)
        cost = loudness(hard) - loudness(passed(hard, "high", SMALL_HZ))
        assert cost <= (4.5 if key < 48 else 3.0 if key < 60 else 1.0), key
