"""How notes begin and end: noise, the rise of the partials, damping.

What a noise adds is read as the difference from the same take of the sound without it. Levels and
times after A. Caddy and H. Pollard (pipes), A. Askenfelt and E. Jansson (hammers), J. Meyer, from
memory; damping by felt or finger takes high partials sooner.
"""

import numpy as np
import pytest

from config.library import shipped
from tests.support.acceptance import Measured
from tests.support.measure import db, peak
from tests.support.measure_sounds import envelope, fall_db_s, part, power_db, rise_s
from tests.support.playing import RATE, Recording, control, off, on
from tests.support.takes import (
    HARD,
    OCTAVES,
    PLAYED,
    SOFT,
    alone,
    changed,
    hz,
    note,
    of,
    perform_dry,
)
from voices.timbres.ranks import WOUND

pytestmark = pytest.mark.slow
C4 = 60
STRUCK = ("struck", "plucked", "bar", "bell")
NOISY = [name for name in PLAYED if shipped()[name].onset_noise]
NOISY_AFTER = [name for name in PLAYED if shipped()[name].release_noise]


def beside(name: str, key: int, velocity: int) -> tuple[Recording, Recording]:
    """Return what the onset's noise adds to a note, and what that is measured against.

    That is the stroke itself, or the steady tone.
    """
    quiet = changed(name, onset_noise=None)
    without = perform_dry(name, [on(0, key, velocity)], 0.4, quiet)
    noise = note(name, key, velocity, 0.4)[: len(without)] - without
    steady = shipped()[name].family not in STRUCK
    return noise, part(without, *((0.3, 0.35) if steady else (0.003, 0.053)))


def felt(name: str) -> tuple[int, ...]:
    """Return the velocities that make a difference."""
    return (SOFT, HARD) if shipped()[name].velocity.range_db else (HARD,)


NOISE_DB = {"flue": (-30.0, -20.0), "struck": (-35.0, -25.0), "bar": (-35.0, -25.0)}


@pytest.mark.parametrize("name", NOISY)
def test_a_note_is_heard_as_it_begins_and_its_noise_is_gone_after_it(
    name: str, measured: Measured
) -> None:
    first, later = {}, {}
    bound = NOISE_DB.get(shipped()[name].family or "")
    for key in OCTAVES if bound else OCTAVES[::2]:
        for velocity in felt(name) if bound else (HARD,):
            noise, tone = beside(name, key, velocity)
            first[key, velocity] = power_db(part(noise, 0.003, 0.053), tone)
            later[key, velocity] = max(power_db(part(noise, 0.3, 0.35), tone), -200.0)
    low, high = bound or (-60.0, -20.0)
    measured("onset: dB off the partials, 3 to 53 ms", name, first, low, high)
    measured("onset: the same after 300 ms", name, later, high=-70.0)


CLEAR = {"string-celeste": (0,), "beating-reeds": (0,), "low-reed": (0,), "pedal-organ": (1,)}
"""Sounds whose partials beat or fall on those of another rank, and the ranks to listen to."""
LAST_ODD = {"stopped-flute": 7, "single-reed": 7}
"""Sounds whose eighth partial is none to speak of."""


@pytest.mark.parametrize("name", of("flue", "reed", "blown", "bowed"))
def test_high_and_low_partials_rise_in_times_of_their_own(name: str, measured: Measured) -> None:
    played = alone(name, *CLEAR.get(name, range(len(shipped()[name].ranks))))
    if name == "string-section":
        one = [rank.model_copy(update={"voices": 1}) for rank in played.ranks[:1]]
        played = changed(name, ranks=one, onset_noise=None)
    values = {}
    for key in OCTAVES:
        audio = perform_dry(name, [on(0, key, 100)], 1.6, played)
        rises = []
        for number in (1, LAST_ODD.get(name, 8)):
            # At this width the low-pass is deaf to the partials beside it.
            levels = envelope(audio, number * hz(key), min(400.0, hz(key)))
            rises.append(rise_s(levels, part(levels, 1.0, 1.4)))
        values[key] = max(rises) / min(rises)
    measured("rise of partial 8 against 1: factor", name, values, 2.0)


# The comb's tongues have three modes in reach: the second stands for the eighth partial.
HIGH = {"steel-comb": 6.267}


@pytest.mark.parametrize("name", of("plucked", "struck"))
def test_high_partials_are_damped_sooner(name: str, measured: Measured) -> None:
    rank, high = shipped()[name].ranks[0], HIGH.get(name, 8.0)
    values = {}
    for key in OCTAVES:
        octave = (key - C4) / 12
        stretch = rank.stretch * max(WOUND, rank.keys.stretch**octave)
        ratio = high * ((1 + stretch * high**2) / (1 + stretch)) ** 0.5
        held_s = 0.1 * 0.6 ** max(octave, 0.0)  # while the high one still sounds
        audio = note(name, key, 100, held_s + 0.4, held_s)
        low_t60, high_t60 = (
            60.0 / fall_db_s(envelope(audio, each * hz(key), width), held_s + 0.02, held_s + 0.1)
            for each, width in ((1.0, min(80.0, hz(key))), (ratio, min(120.0, hz(key))))
        )
        values[key] = high_t60 / low_t60
    measured("release: T60 of partial 8 over that of 1", name, values, 0.0, 0.5)


@pytest.mark.parametrize("name", NOISY_AFTER)
def test_a_key_is_heard_coming_up(name: str, measured: Measured) -> None:
    levels, lasting = {}, {}
    for key in OCTAVES:
        for velocity in felt(name):
            events = [on(0, key, velocity), off(RATE // 4, key)]
            without = perform_dry(name, events, 0.6, changed(name, release_noise=None))
            noise = perform_dry(name, events, 0.6) - without
            levels[key, velocity] = db(peak(noise) / peak(without))
            after = np.abs(part(noise, 0.25, 0.6)).max(axis=1)
            lasting[key, velocity] = np.flatnonzero(after > 0.03 * after.max())[-1] / 48.0
    measured("release noise: dB beside the note", name, levels, -50.0, -35.0)
    measured("release noise: ms", name, lasting, 0.0, 60.0)


@pytest.mark.parametrize("name", NOISY_AFTER)
def test_a_key_that_comes_up_under_the_pedal_is_not_heard(name: str) -> None:
    for key in OCTAVES[::2]:
        held = [control(0, 64, 127), on(0, key, 100)]
        up = off(RATE // 4, key)
        assert np.array_equal(perform_dry(name, [*held, up], 0.5), perform_dry(name, held, 0.5))
