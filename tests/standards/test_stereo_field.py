"""Where the sounds stand between left and right, and what a card with one channel gets of them.

Bounds: 1 - IACC above 0.6 is very wide, 0.4 to 0.6 good (L. Beranek, Concert Halls and Opera
Houses, from memory); low tones belong to the middle (correlation above 0.9, common practice). So
of a note below C4 only what lies above the bass counts, up to 0.97: of a single partial the sides
are always alike, wherever it stands.
"""

import numpy as np
import pytest

from config.library import shipped
from tests.support.acceptance import Measured
from tests.support.measure import Levels, Samples
from tests.support.measure_sounds import correlation, loudness, part, passed
from tests.support.playing import RATE
from tests.support.takes import HARD, OCTAVES, PLAYED, SOFT, VELOCITIES, chord, note

pytestmark = pytest.mark.slow
C4, BASS_HZ = 60, 150.0
LOWEST = {"hand-bell": 48}
"""At C2 all that it has above the bass is one partial."""


def above_the_bass(audio: Samples) -> Levels:
    lines = np.fft.rfft(audio.astype(np.float64), axis=0)
    lines[: round(BASS_HZ * len(audio) / RATE)] = 0.0
    return np.asarray(np.fft.irfft(lines, len(audio), axis=0))


def alike(audio: Samples) -> float:
    """Return the correlation of left and right."""
    steady = part(audio, 0.1, 1.0)
    return correlation(steady[:, 0], steady[:, 1])


def felt(name: str) -> tuple[int, ...]:
    """Return the velocities that make a difference."""
    return VELOCITIES if shipped()[name].velocity.range_db else (HARD,)


@pytest.mark.parametrize("name", PLAYED)
def test_a_chord_is_wide(name: str, measured: Measured) -> None:
    values = {each: alike(chord(name, each)) for each in felt(name)}
    measured("chord of eight: left beside right", name, values, 0.3, 0.85)


@pytest.mark.parametrize("name", PLAYED)
def test_a_note_is_no_point(name: str, measured: Measured) -> None:
    keys = [key for key in OCTAVES if key >= LOWEST.get(name, 0)]
    takes = {(key, each): note(name, key, each) for key in keys for each in {SOFT, *felt(name)}}
    high = {where: alike(each) for where, each in takes.items() if where[0] >= C4}
    low = {at: alike(above_the_bass(each)) for at, each in takes.items() if at[0] < C4}
    measured("one note: left beside right", name, high, -1.0, 0.95)
    measured("one note below C4, above 150 Hz: left beside right", name, low, -1.0, 0.97)


@pytest.mark.parametrize("name", PLAYED)
def test_the_bass_has_no_side(name: str, measured: Measured) -> None:
    values = {each: alike(passed(chord(name, each), "low", BASS_HZ, 8)) for each in felt(name)}
    measured("chord of eight below 150 Hz: left beside right", name, values, 0.9)


@pytest.mark.parametrize("name", PLAYED)
def test_a_chord_has_no_holes_in_mono(name: str, measured: Measured) -> None:
    values = {}
    for each in felt(name):
        whole = chord(name, each)
        mono = whole.mean(axis=1, keepdims=True).repeat(2, axis=1)
        values[each] = loudness(whole) - loudness(mono)
    measured("chord of eight: LU that mono costs", name, values, high=1.5)
