"""Pipes that are narrower the higher they sound, but not by as much: their partials grow fewer.

G. Töpfer's scale makes the diameter 1.682 times smaller for each octave. Useful are the partials
below the first mode across the pipe, from 19.8 of them at C2 to 9.9 at C6 (N. H. Fletcher and T. D.
Rossing, The Physics of Musical Instruments, for that mode; computed).
"""

import numpy as np
import pytest

from config.library import shipped
from tests.support.acceptance import Measured
from tests.support.measure_sounds import envelope, part
from tests.support.playing import on
from tests.support.takes import OCTAVES, alone, hz, of, perform_dry

pytestmark = pytest.mark.slow
HIGHEST_HZ = 20_000.0
FOUNDATION = [
    (name, place)
    for name in of("flue")
    for place, rank in enumerate(shipped()[name].ranks)
    if rank.pitch <= 1.0
]
"""Ranks of 8' and 16'; those above have few partials, and a chorus breaks back."""


def partials_heard(name: str, place: int, key: int) -> int:
    """Return how many partials of a rank are less than 50 dB below its strongest."""
    rank = shipped()[name].ranks[place]
    sharp_hz = rank.beats_hz * (rank.pitch * 2.0 ** ((key - 60) / 12)) ** 0.5
    first_hz = hz(key) * rank.pitch * 2.0 ** (rank.cents / 1200) + sharp_hz
    numbers = range(1, min(rank.count, int(HIGHEST_HZ / first_hz)) + 1)
    audio = perform_dry(name, [on(0, key, 100)], 1.2, alone(name, place))
    narrow_hz = min(100.0, first_hz / 2)
    levels = [part(envelope(audio, first_hz * n, narrow_hz), 0.5, 1.0).mean() for n in numbers]
    return sum(level > max(levels) * 10 ** (-50.0 / 20) for level in levels)


@pytest.mark.parametrize(("name", "place"), FOUNDATION)
def test_pipes_have_fewer_partials_the_higher_they_are(
    name: str, place: int, measured: Measured
) -> None:
    many = [partials_heard(name, place, key) for key in OCTAVES]
    assert many == sorted(many, reverse=True)
    octave = 2.0 ** np.polyfit(range(5), np.log2(many[:5]), 1)[0]  # C2 to C6
    measured("partials above -50 dB, an octave higher", name, {place: octave}, 0.6, 0.95)
