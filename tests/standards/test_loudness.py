"""How evenly loud each sound is over the compass, and what a small loudspeaker leaves of them.

Loudness after ITU-R BS.1770-4, A-weighting after IEC 61672-1. A loudspeaker of 5 cm falls off
below about 200 Hz; the pitch stays where partials between 300 Hz and 2 kHz are left (R. Plomp,
JASA 41 (1967), for the dominance of those).
"""

import numpy as np
import pytest

from tests.support.measure_sounds import (
    a_weighted_db,
    loudness,
    part,
    passed,
    spectrum,
    steady_loudness,
)
from tests.support.takes import COMPASS, PLAYED, note, of

pytestmark = pytest.mark.slow
SMALL_HZ = 200.0
C2 = 36
HELD = of("flue", "reed", "bowed", "blown", "sung", "glass", "drone")
HELD_S = 3.0
"""Long enough for tones that beat."""


@pytest.mark.parametrize("name", PLAYED)
def test_no_key_is_much_louder_than_another(name: str) -> None:
    measure = steady_loudness if name in HELD else loudness
    measured = {key: measure(note(name, key, 100, HELD_S)) for key in COMPASS}
    assert max(measured.values()) - min(measured.values()) <= 3.0, measured


@pytest.mark.parametrize("name", PLAYED)
def test_a_small_loudspeaker_keeps_the_bass_audible(name: str) -> None:
    whole = note(name, C2)
    small = passed(whole, "high", SMALL_HZ)  # 24 dB an octave
    assert loudness(whole) - loudness(small) <= 6.0
    assert a_weighted_db(whole) - a_weighted_db(small) <= 6.0


# Bars and bells have too few partials, and strings that ring lose theirs one after the other.
@pytest.mark.parametrize("name", HELD)
def test_a_small_loudspeaker_is_left_enough_partials_to_hear_the_pitch_by(name: str) -> None:
    hertz, amplitudes = spectrum(part(note(name, C2), 0.1, 0.6))
    decibels = 20 * np.log10(amplitudes / amplitudes[hertz > SMALL_HZ].max())
    peaks = (amplitudes[1:-1] > amplitudes[:-2]) & (amplitudes[1:-1] > amplitudes[2:])
    heard = peaks & (decibels[1:-1] > -12.0) & (hertz[1:-1] > 270.0) & (hertz[1:-1] < 2000.0)
    assert heard.sum() >= 3
