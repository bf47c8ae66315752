"""How the sounds move while they are held: decay in two stages, warble, beats, losses of bars.

Sources: G. Weinreich in Five lectures on the acoustics of the piano, KTH 1990 (two stages); the
Keltek Trust's pages (warble); D. Hursey's tuning pages (reeds); HyperPhysics and loss factors from
memory (bars); Rayleigh's law for the level of a sum of many tones, 5.57 dB.
"""

import numpy as np
import pytest

from config.library import shipped
from tests.support.acceptance import Measured
from tests.support.measure import Levels, Samples
from tests.support.measure_sounds import beat, envelope, fall_db_s, part
from tests.support.takes import OCTAVES, hz, note, of

pytestmark = pytest.mark.slow


def decibels(levels: Samples) -> Levels:
    return np.asarray(20.0 * np.log10(np.maximum(levels, 1e-12)))


def test_a_struck_string_decays_in_two_stages(measured: Measured) -> None:
    slopes, knees_db = {}, {}
    for key in OCTAVES:
        slower = 0.6 ** ((60 - key) / 12)
        levels = envelope(note("struck-string", key, 100, 13.0 / slower), hz(key), 40.0)
        early_s, late_s = 0.1, 9.0 / slower
        early = fall_db_s(levels, early_s, 0.6 / slower)
        late = fall_db_s(levels, late_s, 12.0 / slower)
        slopes[key] = early / late
        # Where both lines meet, below the level at the beginning of the first.
        begin, end = (
            float(decibels(part(levels, at, at + 0.05)).mean()) for at in (early_s, late_s)
        )
        knee_s = (begin - end - late * (late_s - early_s)) / (early - late)
        knees_db[key] = -early * knee_s
    measured("double decay: slope over slope", "struck-string", slopes, 2.0, 5.0)
    measured("double decay: dB of the knee", "struck-string", knees_db, -25.0, -10.0)


# G. Weinreich (1990): E flat 4 falls by some 8 dB a second at first.
def test_a_struck_string_falls_as_fast_as_was_measured() -> None:
    levels = envelope(note("struck-string", 63, 100, 2.0), hz(63), 40.0)
    assert 7.0 <= fall_db_s(levels, 0.1, 0.8) <= 10.0


def test_wooden_bars_lose_as_wood_does(measured: Measured) -> None:
    """T60 times frequency is constant within 30 %: eta 0.007, 2.2 / eta = 314."""
    values = {}
    for key in OCTAVES:
        levels = envelope(note("struck-bar", key, 100, 3.0), hz(key), min(60.0, hz(key) / 2))
        t60_s = 60.0 / fall_db_s(levels, 0.05, 0.05 + 0.5 * 314.0 / hz(key))
        values[key] = t60_s * hz(key) / 314.0
    measured("T60 times frequency, over that of wood", "struck-bar", values, 1 / 1.3, 1.3)


# Metal: its suspension takes more than itself; a mid bar 6 to 15 s, at C6 4 to 8 s (from memory).
@pytest.mark.parametrize(
    ("name", "key", "low", "high"), [("metal-bars", 60, 6.0, 15.0), ("small-bars", 84, 4.0, 8.0)]
)
def test_metal_bars_ring_as_long_as_metal_does(
    name: str, key: int, low: float, high: float
) -> None:
    levels = envelope(note(name, key, 100, 4.0), hz(key), 20.0)
    assert low <= 60.0 / fall_db_s(levels, 0.3, 3.7) <= high


@pytest.mark.parametrize(
    ("name", "ratio"), [("tower-bell", 0.5), ("tower-bell", 1.0), ("hand-bell", 1.0)]
)
def test_a_bell_warbles(name: str, ratio: float, measured: Measured) -> None:
    """0.3 to 3 a second: the deepest are the slowest."""
    rates, depths = {}, {}
    pair = shipped()[name].ranks[0].pair
    assert pair is not None
    for key in OCTAVES:
        levels = part(envelope(note(name, key, 100, 9.0), hz(key) * ratio, 10.0), 0.5, 8.0)
        rate = pair.beats_hz * (ratio * hz(key) / hz(60)) ** 0.5
        some = levels[: min(len(levels), round(2.5 / rate * 48_000))]
        fallen = np.arange(len(some)) / 48_000 * fall_db_s(some, 0.0, len(some) / 48_000)
        rates[key], depths[key] = beat(some * np.exp(fallen / 8.686))
    measured(f"warble of the partial at {ratio:g}: hertz", name, rates, 0.3, 3.0)
    measured(f"warble of the partial at {ratio:g}: dB", name, depths, 1.5)


# The rate grows as the root of the frequency; what organ builders tune by ear (from memory).
CELESTE = {36: (1.1, 1.6), 48: (1.5, 2.2), 60: (2.5, 3.5), 72: (3.8, 5.2), 84: (5.0, 7.0)}


def test_the_celeste_beats_faster_towards_the_treble(measured: Measured) -> None:
    depths = {}
    for key, (low, high) in CELESTE.items():
        levels = envelope(note("string-celeste", key, 100, 5.0), hz(key), min(25.0, hz(key) / 2))
        rate, depths[key] = beat(part(levels, 0.8, 4.5))
        measured(f"celeste on key {key}: hertz", "string-celeste", {key: rate}, low, high)
    measured("beats: dB", "string-celeste", depths, 2.0, 10.0)


# 18 cents at A4 are 4.60 Hz, and twice that at the second partial (computed; D. Hursey); the rate
# grows as the root of the frequency.
@pytest.mark.parametrize("number", [1, 2])
def test_reeds_beat_by_their_cents(number: int, measured: Measured) -> None:
    rates, depths = {}, {}
    for key in (*OCTAVES, 69):
        width = min(60.0, hz(key) / 2)
        levels = envelope(note("beating-reeds", key, 100, 5.0), hz(key) * number, width)
        rate, depths[key] = beat(part(levels, 0.8, 4.5))
        rates[key] = rate / (4.60 * number * (hz(key) / 440.0) ** 0.5)
    measured(f"beats of partial {number}, over 18 cents at A4", "beating-reeds", rates, 0.97, 1.03)
    measured("beats: dB", "beating-reeds", depths, 2.0, 10.0)


def test_a_section_wanders_as_many_players_do(measured: Measured) -> None:
    values = {}
    for key in OCTAVES:
        seconds = 31.0 if key == OCTAVES[0] else 12.0  # down there they drift slowly
        mono = (
            note("string-section", key, 64, seconds).mean(axis=1, keepdims=True).repeat(2, axis=1)
        )
        for number in range(1, 7):
            levels = envelope(mono, hz(key) * number, min(60.0, 0.9 * hz(key)))
            values[key, number] = float(np.std(decibels(part(levels, 1.0, seconds - 1.0))))
    measured("a section's level wanders: dB", "string-section", values, 4.5, 6.5)


@pytest.mark.parametrize("name", of("glass"))
def test_rubbed_glass_pulses(name: str, measured: Measured) -> None:
    """4 to 8 times a second, as the finger goes round (T. D. Rossing 2004); small ones faster."""
    for key in (60, 72):
        rate, depth = beat(part(envelope(note(name, key, 100, 4.0), hz(key), 40.0), 1.0, 3.8))
        measured("rubbed glass: pulses a second", name, {key: rate}, 4.0, 8.0)
        measured("rubbed glass: dB of a pulse", name, {key: depth}, 3.0, 8.0)
