"""How notes begin and end: noise, the rise of the partials, damping.

What a noise adds is read as the difference from the same take of the sound without it. Levels and
times after A. Caddy and H. Pollard (pipes), A. Askenfelt and E. Jansson (hammers), J. Meyer, from
memory; damping by felt or finger takes high partials sooner.
"""

import numpy as np
import pytest

from config.library import shipped
from tests.support.measure import db, peak
from tests.support.measure_sounds import envelope, fall_db_s, part, power_db, rise_s
from tests.support.playing import RATE, Recording, control, off, on
from tests.support.takes import PLAYED, alone, changed, note, of, perform_dry

pytestmark = pytest.mark.slow
C4, C4_HZ = 60, 261.6256
HELD_S = 0.5
STRUCK = ("struck", "plucked", "bar", "bell")
NOISY = [name for name in PLAYED if shipped()[name].onset_noise]
NOISY_AFTER = [name for name in PLAYED if shipped()[name].release_noise]


def onset_noise(name: str) -> tuple[Recording, Recording]:
    """Return what the onset's noise adds to a note, and the note without it."""
    without = perform_dry(name, [on(0, C4, 100)], 1.2, changed(name, onset_noise=None))
    return note(name) - without, without


def beside(name: str, without: Recording) -> Recording:
    """Return what a noise is measured against: a stroke itself, or the steady tone."""
    steady = shipped()[name].family not in STRUCK
    return part(without, *((0.3, 0.35) if steady else (0.003, 0.053)))


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [(name, -30.0, -20.0) for name in of("flue")]
    + [(name, -35.0, -25.0) for name in of("struck", "bar")],
)
def test_pipes_hammers_and_mallets_are_heard_as_they_begin(
    name: str, low: float, high: float
) -> None:
    noise, without = onset_noise(name)
    assert low <= power_db(part(noise, 0.003, 0.053), beside(name, without)) <= high


@pytest.mark.parametrize("name", NOISY)
def test_the_noise_of_an_onset_is_gone_after_it(name: str) -> None:
    noise, without = onset_noise(name)
    assert power_db(part(noise, 0.3, 0.35), beside(name, without)) <= -70.0


BEATING = {"string-celeste": (0,), "beating-reeds": (0,)}
"""Sounds whose partials beat, and the ranks that do not."""
LAST_ODD = {"stopped-flute": 7, "single-reed": 7}
"""Sounds whose eighth partial is none to speak of."""


@pytest.mark.parametrize("name", of("flue", "reed", "blown", "bowed"))
def test_high_and_low_partials_rise_in_times_of_their_own(name: str) -> None:
    played = None
    if name in BEATING:
        played = alone(name, *BEATING[name])
    elif name == "string-section":
        one = [rank.model_copy(update={"voices": 1}) for rank in shipped()[name].ranks[:1]]
        played = changed(name, ranks=one, onset_noise=None)
    audio = note(name) if played is None else perform_dry(name, [on(0, C4, 100)], 1.2, played)
    rises = []
    for number in (1, LAST_ODD.get(name, 8)):
        levels = envelope(audio, number * C4_HZ, 100.0)
        rises.append(rise_s(levels, part(levels, 0.6, 1.0)))
    assert max(rises) >= 2.0 * min(rises), rises


# The comb's tongues have three modes in reach: the second stands for the eighth partial.
HIGH = {"steel-comb": 6.267}


@pytest.mark.parametrize("name", of("plucked", "struck"))
def test_high_partials_are_damped_sooner(name: str) -> None:
    audio = note(name, C4, 100, 1.5, HELD_S)
    rank, high = shipped()[name].ranks[0], HIGH.get(name, 8.0)
    ratio = high * ((1 + rank.stretch * high**2) / (1 + rank.stretch)) ** 0.5
    low_t60, high_t60 = (
        60.0 / fall_db_s(envelope(audio, each * C4_HZ, 80.0), HELD_S + 0.02, HELD_S + until)
        for each, until in ((1.0, 0.17), (ratio, 0.10))
    )
    assert high_t60 <= 0.5 * low_t60


@pytest.mark.parametrize("name", NOISY_AFTER)
def test_a_key_is_heard_coming_up(name: str) -> None:
    events = [on(0, C4, 100), off(round(HELD_S * RATE), C4)]
    without = perform_dry(name, events, 1.0, changed(name, release_noise=None))
    noise = note(name, C4, 100, 1.0, HELD_S) - without
    assert -50.0 <= db(peak(noise) / peak(without)) <= -35.0
    after = np.abs(part(noise, HELD_S, 1.0)).max(axis=1)
    heard = np.flatnonzero(after > 0.03 * after.max())
    assert heard[-1] <= 0.060 * RATE


@pytest.mark.parametrize("name", NOISY_AFTER)
def test_a_key_that_comes_up_under_the_pedal_is_not_heard(name: str) -> None:
    up = round(HELD_S * RATE)
    held = [control(0, 64, 127), on(0, C4, 100)]
    assert np.array_equal(
        perform_dry(name, [*held, off(up, C4)], 1.0), perform_dry(name, held, 1.0)
    )
