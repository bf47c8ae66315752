"""Where the sounds stand between left and right, and what a card with one channel gets of them.

Bounds: 1 - IACC above 0.6 is very wide, 0.4 to 0.6 good (L. Beranek, Concert Halls and Opera
Houses, from memory); low tones belong to the middle (correlation above 0.9, common practice).
"""

import pytest

from tests.support.measure_sounds import correlation, loudness, part, passed
from tests.support.takes import PLAYED, chord, note

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("name", PLAYED)
def test_a_chord_is_wide_and_a_note_is_no_point(name: str) -> None:
    wide = part(chord(name), 0.1, 1.0)
    assert 0.3 <= correlation(wide[:, 0], wide[:, 1]) <= 0.85
    one = part(note(name), 0.1, 1.0)
    assert correlation(one[:, 0], one[:, 1]) <= 0.95


@pytest.mark.parametrize("name", PLAYED)
def test_the_bass_has_no_side(name: str) -> None:
    low = part(passed(chord(name), "low", 150.0, 8), 0.1, 1.0)
    assert correlation(low[:, 0], low[:, 1]) >= 0.9


@pytest.mark.parametrize("name", PLAYED)
def test_a_chord_has_no_holes_in_mono(name: str) -> None:
    whole = chord(name)
    mono = whole.mean(axis=1, keepdims=True).repeat(2, axis=1)
    assert loudness(whole) - loudness(mono) <= 1.5
