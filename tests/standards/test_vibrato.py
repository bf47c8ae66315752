"""Vibrato as it is played, by the wheel at the settings that come with partiald, and how far apart
voices that sing as one are.

Sources: R. Timmers and P. Desain 2000 with A. Small 1938, in Seashore (a string: 5.5 to 8 a second,
20 to 60 cents from low to high; a voice: 5 to 7.5, 60 to 200); H. Cuesta et al. 2018 (a choir: 4.6
to 5.7 a second, its voices 16 to 30 cents apart, as the standard deviation).
"""

from statistics import stdev

import numpy as np
import pytest
from scipy import signal

from config.library import shipped
from tests.support.acceptance import Measured
from tests.support.measure import Levels
from tests.support.measure_sounds import part, spectrum
from tests.support.playing import RATE, Recording, control, on
from tests.support.takes import alone, hz, note, perform_dry

pytestmark = pytest.mark.slow
NARROW_HZ = 60.0


def one_player(name: str, key: int, wheel: int) -> Recording:
    """Return a note that one of the players, or voices, of a sound holds by itself."""
    lone = alone(name, len(shipped()[name].ranks) - 1)
    lone = lone.model_copy(update={"ranks": [lone.ranks[0].model_copy(update={"voices": 1})]})
    return perform_dry(name, [control(0, 1, wheel), on(0, key, 100)], 5.0, lone)


def pitch_cents(audio: Recording, hertz: float) -> Levels:
    """Return the pitch of one partial, about its mean, sixteen frames a step."""
    turn = np.exp(-2j * np.pi * hertz / RATE * np.arange(len(audio)))
    smooth = np.hanning(round(2 * RATE / NARROW_HZ))
    turned = signal.fftconvolve(audio.mean(axis=1) * turn, smooth, "same")
    wanders_hz = np.diff(np.unwrap(np.angle(turned))) * RATE / (2 * np.pi)
    cents = 1200.0 * np.log2(1.0 + part(wanders_hz, 1.0, 4.5)[::16] / hertz)
    return np.asarray(cents - cents.mean())


def swing(cents: Levels) -> tuple[float, float]:
    """Return how often a pitch swings, and how far from its lowest to its highest."""
    size = 1 << 20
    lines = np.abs(np.fft.rfft(cents * np.hanning(len(cents)), size))
    return float(np.argmax(lines)) * RATE / 16 / size, float(np.ptp(cents))


STRING, VOICE = (5.5, 8.0, 20.0, 60.0), (5.0, 7.5, 60.0, 200.0)


# A string's range is the wheel half way up, a voice's lies above: the wheel is the player's.
@pytest.mark.parametrize(
    ("name", "wheel", "bounds"),
    [
        ("bowed-string", 40, STRING),
        ("bowed-string", 64, STRING),
        ("string-section", 64, STRING),
        ("sung-vowels", 96, VOICE),
        ("sung-vowels", 127, VOICE),
    ],
)
def test_the_wheel_leads_into_the_vibrato_of_strings_and_voices(
    name: str, wheel: int, bounds: tuple[float, float, float, float], measured: Measured
) -> None:
    slowest, fastest, least, most = bounds
    swings = {key: swing(pitch_cents(one_player(name, key, wheel), hz(key))) for key in (60, 72)}
    rates = {key: round(rate, 1) for key, (rate, _) in swings.items()}
    measured("vibrato: hertz", name, rates, slowest, fastest)
    measured(
        "vibrato: cents", name, {key: cents for key, (_, cents) in swings.items()}, least, most
    )


def test_a_choir_swings_as_choirs_do(measured: Measured) -> None:
    rate, _ = swing(pitch_cents(one_player("sung-vowels", 60, 127), hz(60)))
    measured("vibrato of a choir: hertz", "sung-vowels", {60: rate}, 4.6, 5.7)


@pytest.mark.parametrize("key", [48, 60, 72])
def test_voices_in_unison_are_as_far_apart_as_those_of_a_choir(
    key: int, measured: Measured
) -> None:
    near_hz = hz(key) * 4
    hertz, amplitudes = spectrum(part(note("sung-vowels", key, 100, 8.0), 0.5, 7.9), 1 << 20)
    near = np.abs(1200 * np.log2(np.maximum(hertz, 1.0) / near_hz)) < 70.0
    tops, _ = signal.find_peaks(np.where(near, amplitudes, 0.0))
    voices = tops[np.argsort(amplitudes[tops])[-3:]]
    apart = stdev(1200 * np.log2(hertz[voices] / near_hz))
    measured("voices in unison: cents apart", "sung-vowels", {key: apart}, 16.0, 30.0)
