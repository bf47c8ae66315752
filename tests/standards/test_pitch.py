from math import sqrt

import numpy as np
import pytest

from config.temperament import NAMES, Temperament
from tests.support.measure import cents, pitch
from tests.support.playing import (
    RATE,
    Event,
    bend,
    control,
    off,
    on,
    play,
    settings_for,
    sound,
)

ATTACK = round(0.05 * RATE)
"""Frames left out before a measurement: `sine` has come to rest by then."""


def ideal(key: float, a4_hz: float = 440.0) -> float:
    """MIDI 1.0 / GM2 §2.7.1: key 69 is A4, 440 Hz (ISO 16); equal semitones."""
    return float(a4_hz * 2.0 ** ((key - 69) / 12))


def heard(events: list[Event], near: float, seconds: float = 1.0, rate: int = RATE) -> float:
    """Return the pitch of a sine that plays these events, at rest."""
    audio = play(events, ATTACK + round(seconds * rate), sample_rate=rate)
    return pitch(audio[ATTACK:, 0], rate, near)


@pytest.mark.slow
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_every_one_of_the_128_keys_has_its_pitch(rate: int) -> None:
    deviations = []
    for key in range(128):
        # Enough periods for the window's side lobes to be gone.
        seconds = max(0.5, 40.0 / ideal(key))
        near = ideal(key)
        deviations.append(cents(heard([on(0, key)], near, seconds, rate), near))
    assert np.abs(deviations).max() < 0.05


# Printed in GM2 v1.2a and the MIDI Tuning Standard: the two ends of the keyboard.
@pytest.mark.parametrize(("key", "hertz"), [(0, 8.1758), (60, 261.6256), (127, 12_543.85)])
def test_the_ends_and_the_middle_are_the_published_frequencies(key: int, hertz: float) -> None:
    measured = heard([on(0, key)], hertz, seconds=max(1.0, 40.0 / hertz))
    assert measured == pytest.approx(hertz, rel=6e-6)


# Computed: 442 Hz is 7.851 cents above 440 Hz, 415 Hz 101.271 cents below.
@pytest.mark.parametrize(("a4_hz", "above"), [(442.0, 7.851), (415.0, -101.271)])
def test_the_tuning_of_a4_moves_every_key_alike(a4_hz: float, above: float) -> None:
    settings = settings_for("sine", tuning={"a4_hz": a4_hz})
    for key in (33, 60, 69, 100):
        audio = play([on(0, key)], ATTACK + RATE, settings=settings)
        measured = pitch(audio[ATTACK:, 0], RATE, ideal(key, a4_hz))
        assert cents(measured, ideal(key)) == pytest.approx(above, abs=0.05)


# Cents from equal temperament with A at 0, C to B, computed from the fifths that define each
# (Barbour, Tuning and Temperament, 1951; Jorgensen, Tuning, 1991: definitions from memory).
TEMPERED: dict[Temperament, tuple[float, ...]] = {
    "equal": (0,) * 12,
    "pythagorean": (
        *(-5.865, 7.820, -1.955, -11.730, 1.955, -7.820),
        *(5.865, -3.910, 9.775, 0, -9.775, 3.910),
    ),
    "quarter-comma-meantone": (
        *(10.265, -13.686, 3.422, 20.529, -3.422, 13.686),
        *(-10.265, 6.843, -17.108, 0, 17.108, -6.843),
    ),
    # From C: 0, 88.594, 196.741 ...; A lies 895.112 cents above C.
    "sixth-comma-meantone": tuple(
        height - 100 * key - (895.112 - 900)
        for key, height in enumerate(
            (
                *(0.0, 88.594, 196.741, 304.888, 393.482, 501.629),
                *(590.224, 698.371, 786.965, 895.112, 1003.259, 1091.853),
            )
        )
    ),
    "just": (
        *(15.641, 27.373, 19.551, 31.283, 1.955, 13.686),
        *(5.865, 17.596, 29.328, 0, 33.238, 3.910),
    ),
    "werckmeister-3": (
        *(11.730, 1.955, 3.910, 5.865, 1.955, 9.775),
        *(0, 7.820, 3.910, 0, 7.820, 3.910),
    ),
    "kirnberger-3": (
        *(10.265, 0.490, 3.422, 4.400, -3.422, 8.310),
        *(0.488, 6.843, 2.445, 0, 6.355, -1.467),
    ),
    "vallotti": (
        *(5.865, 0, 1.955, 3.910, -1.955, 7.820),
        *(-1.955, 3.910, 1.955, 0, 5.865, -3.910),
    ),
    "young-1": (
        *(6.232, 0.122, 2.077, 4.032, -2.078, 6.110),
        *(-1.833, 4.155, 2.077, 0, 5.987, -1.955),
    ),
    "young-2": (
        *(5.865, -3.910, 1.955, 0, -1.955, 3.910),
        *(-5.865, 3.910, -1.955, 0, 1.955, -3.910),
    ),
}


@pytest.mark.parametrize("name", NAMES)
def test_an_octave_is_tempered_as_its_fifths_say(name: Temperament) -> None:
    settings = settings_for("sine", tuning={"temperament": name})
    events = []
    for index in range(12):
        begin = index * 2 * RATE
        events += [on(begin, 60 + index), off(begin + RATE + 4800, 60 + index)]
    audio = play(events, 24 * RATE, settings=settings)[:, 0]
    for index, expected in enumerate(TEMPERED[name]):
        begin = index * 2 * RATE + ATTACK
        measured = pitch(audio[begin : begin + RATE], RATE, ideal(60 + index))
        assert cents(measured, ideal(60 + index)) == pytest.approx(expected, abs=0.05)


# MIDI 1.0: RPN 00 00, data entry in semitones; bend 0 is full down, 8192 (here 0) none, 16383
# "maximum positive swing": divided by 8192 or by 8191, one step apart.
@pytest.mark.parametrize("semitones", [2, 12, 48])
@pytest.mark.parametrize("steps", [-8192, -4096, 0, 4096, 8191])
def test_a_bend_reaches_as_far_as_its_sensitivity_says(semitones: int, steps: int) -> None:
    sensitivity = [
        control(0, 101, 0),
        control(0, 100, 0),
        control(0, 6, semitones),
        control(0, 38, 0),
        control(0, 101, 127),
        control(0, 100, 127),
    ]
    step = 100.0 * semitones / 8192
    near = ideal(69) * 2.0 ** (step * steps / 1200)
    measured = heard([*sensitivity, bend(0, steps), on(0, 69)], near)
    assert cents(measured, ideal(69)) == pytest.approx(step * steps, abs=max(step, 0.05))


def test_without_a_sensitivity_a_bend_reaches_two_semitones() -> None:
    measured = heard([bend(0, -8192), on(0, 69)], ideal(67))
    assert cents(measured, ideal(69)) == pytest.approx(-200.0, abs=0.05)


def test_a_sensitivity_may_have_cents() -> None:
    cents_too = [control(0, 101, 0), control(0, 100, 0), control(0, 6, 1), control(0, 38, 50)]
    measured = heard([*cents_too, bend(0, -8192), on(0, 69)], ideal(67.5))
    assert cents(measured, ideal(69)) == pytest.approx(-150.0, abs=0.05)


# Bend at rest, then moved while the note sounds: the same pitch as when it was set before.
def test_a_bend_of_a_sounding_note_arrives_where_one_set_before_would_be() -> None:
    later = [on(0, 69), bend(4000, 3000)]
    audio = play(later, 3 * RATE)
    measured = pitch(audio[2 * RATE :, 0], RATE, ideal(69))
    assert cents(measured, ideal(69)) == pytest.approx(200.0 * 3000 / 8192, abs=0.05)


def test_a_bend_moves_the_notes_of_its_own_channel_only() -> None:
    events = [bend(0, 8191, channel=3), on(0, 69, channel=2), on(0, 81, channel=3)]
    audio = play(events, ATTACK + RATE)[ATTACK:, 0]
    assert cents(pitch(audio, RATE, ideal(69)), ideal(69)) == pytest.approx(0.0, abs=0.05)
    assert cents(pitch(audio, RATE, ideal(83)), ideal(83)) == pytest.approx(0.0, abs=0.08)


# H. Fletcher, JASA 36 (1964), 203-209: f_n = n·f_0·√(1 + B·n²). The key names the first partial,
# f_1 = f_0·√(1 + B). Computed for B = 4e-4, relative to f_1: n = 2 1.038, 4 5.176, 8 21.535,
# 16 84.042 cents.
def test_the_partials_of_a_stiff_string_lie_where_fletcher_puts_them() -> None:
    stiffness = 4e-4
    stiff = sound([0.0] * 16, stretch=stiffness)
    audio = play(
        [on(0, 45)],
        ATTACK + 2 * RATE,
        settings=settings_for("stiff"),
        sounds={"stiff": stiff},
    )[ATTACK:, 0]
    printed = {2: 1.038, 4: 5.176, 8: 21.535, 16: 84.042}
    for n in range(1, 17):
        expected = n * ideal(45) * sqrt((1 + stiffness * n * n) / (1 + stiffness))
        measured = pitch(audio, RATE, expected, within_cents=40.0)
        assert abs(cents(measured, expected)) < 0.05
        if n in printed:
            assert cents(measured, n * ideal(45)) == pytest.approx(printed[n], abs=0.05)
