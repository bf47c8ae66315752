"""What the acoustics of each family say, measured on its sounds.

Sources beside the checks: FR is N. H. Fletcher and T. D. Rossing, The Physics of Musical
Instruments (from memory); those of strings F. Rigaud, B. David and L. Daudet (2013) and R. W. Young
(1952); of bells T. D. Rossing and R. Perrin (1987) and the Keltek Trust's pages.
"""

import numpy as np
import pytest

from config.library import shipped
from config.rank import Rank
from tests.support.measure import Levels
from tests.support.measure_sounds import (
    a_weighted_db,
    centroid,
    envelope,
    fall_db_s,
    part,
    power_db,
    rise_s,
    spectrum,
)
from tests.support.playing import Recording, on
from tests.support.takes import alone, hz, note, perform_dry

pytestmark = pytest.mark.slow


def decibels(level: float) -> float:
    return float(20.0 * np.log10(level))


def of_one_rank(name: str, key: int) -> Recording:
    return perform_dry(name, [on(0, key, 100)], 1.2, alone(name, 0))


def steady_db(audio: Recording, key: int, numbers: range) -> Levels:
    """Return the levels of harmonics, relative to the strongest."""
    width_hz = min(100.0, hz(key) / 2)
    levels = [part(envelope(audio, hz(key) * n, width_hz), 0.5, 1.0).mean() for n in numbers]
    return np.array([decibels(float(level / max(levels))) for level in levels])


def slope_db(levels_db: Levels, numbers: range) -> float:
    """Return the slope through harmonics, in dB per octave."""
    return float(np.polyfit(np.log2(np.array(numbers)), levels_db, 1)[0])


# --- pipes and reeds -----------------------------------------------------------------------


def test_an_open_pipe_falls_gently_up_to_its_fourth_harmonic_and_steeply_above() -> None:  # FR
    low, high = range(1, 5), range(4, 13)
    audio = of_one_rank("market-organ", 60)
    assert -8.0 <= slope_db(steady_db(audio, 60, low), low) <= -4.0
    assert -22.0 <= slope_db(steady_db(audio, 60, high), high) <= -14.0


def test_a_stopped_pipe_has_odd_harmonics() -> None:  # FR
    first, second, third, fourth = steady_db(note("stopped-flute"), 60, range(1, 5))
    assert (second + fourth) / 2 - (first + third) / 2 <= -18.0


@pytest.mark.parametrize(
    ("name", "least", "most"), [("string-celeste", 18, 25), ("low-reed", 30, 42)]
)
def test_narrow_pipes_and_reeds_have_many_partials(name: str, least: int, most: int) -> None:  # FR
    assert least <= (steady_db(of_one_rank(name, 60), 60, range(1, 43)) > -50.0).sum() <= most


# Speech of pipes after A. Caddy and H. Pollard 1957 (from memory): ms to 90 % of the level.
SPEECH_MS = {36: (120, 250), 48: (80, 150), 60: (50, 100), 72: (30, 60), 84: (20, 40), 96: (12, 25)}


@pytest.mark.parametrize("key", SPEECH_MS)
def test_pipes_speak_sooner_the_higher_they_are(key: int) -> None:
    levels = envelope(of_one_rank("market-organ", key), hz(key), min(100.0, hz(key) / 2))
    low, high = SPEECH_MS[key]
    assert low <= np.argmax(levels > 0.9 * part(levels, 0.6, 1.0).mean()) / 48.0 <= high


@pytest.mark.parametrize(("name", "leader"), [("market-organ", 2), ("stopped-flute", 3)])
def test_a_pipe_speaks_with_its_next_harmonic_first(name: str, leader: int) -> None:  # FR
    audio = of_one_rank(name, 60)
    halfway = []
    for number in (1, leader):
        levels = envelope(audio, hz(60) * number, 120.0)
        halfway.append(np.argmax(levels > 0.5 * part(levels, 0.6, 1.0).mean()))
    assert halfway[1] < 0.8 * halfway[0]


def test_a_free_reed_falls_gently_and_starts_slowly_in_the_bass() -> None:  # J. Cottingham 2015
    low = range(1, 5)
    assert -5.0 <= slope_db(steady_db(note("reed-organ"), 60, low), low) <= -2.0
    rises = []
    for key in (36, 72):
        levels = envelope(note("reed-organ", key), hz(key), min(100.0, hz(key) / 2))
        rises.append(rise_s(levels, part(levels, 0.7, 1.1)))
    assert 3.0 <= rises[0] / rises[1] <= 10.0


def test_no_rank_of_a_chorus_is_shrill_and_its_breaks_are_not_heard_as_steps() -> None:  # FR
    chorus = [rank for rank in shipped()["market-organ"].ranks if rank.breaks]
    assert max(rank.pitch_at(key) * hz(key) for rank in chorus for key in range(36, 97)) <= 8000.0
    for above in {int(key) for rank in chorus for key in rank.breaks}:
        below, after = (part(note("market-organ", key), 0.5, 1.1) for key in (above - 1, above))
        assert abs(a_weighted_db(after) - a_weighted_db(below)) <= 3.0


# --- strings -------------------------------------------------------------------------------


def rank_of(name: str) -> Rank:
    return shipped()[name].ranks[0]


def stiffness(key: int) -> float:
    """Return what B is of a struck string: Rigaud, David and Daudet 2013."""
    return float(np.exp(0.0926 * key - 13.64) + np.exp(-0.0847 * key - 5.82))


@pytest.mark.parametrize("key", range(36, 85, 12))
def test_struck_strings_are_as_stiff_as_strings_are(key: int) -> None:
    hertz, amplitudes = spectrum(part(note("struck-string", key, 100, 2.5), 0.05, 1.5), 1 << 19)
    squares = []
    for number in range(1, 11):
        expected = hz(key) * number * (1 + stiffness(key) * number**2) ** 0.5
        near = np.abs(hertz / expected - 1) < 0.015
        squares.append((hertz[near][np.argmax(amplitudes[near])] / number) ** 2)
    slope, at_nothing = np.polyfit(np.arange(1, 11) ** 2, squares, 1)
    assert 0.7 <= slope / at_nothing / stiffness(key) <= 1.4


def stretched(name: str, key: int, number: int) -> float:
    rank = rank_of(name)
    stretch = rank.stretch * rank.keys.stretch ** ((key - 60) / 12)
    sharp: float = ((1 + stretch * number**2) / (1 + stretch)) ** 0.5
    return hz(key) * number * sharp


def early_fall(name: str, key: int, number: int = 1, until_s: float = 0.7) -> float:
    levels = envelope(
        note(name, key, 100, 2.5), stretched(name, key, number), min(40.0, hz(key) / 2)
    )
    return fall_db_s(levels, 0.1, until_s)


def test_high_strings_and_high_partials_fall_sooner() -> None:  # C. Chaigne, J. Bensa (2003)
    assert 6.0 <= early_fall("struck-string", 84) / early_fall("struck-string", 36) <= 15.0
    assert 1.3 <= early_fall("struck-string", 60, 10) / early_fall("struck-string", 60) <= 2.2


@pytest.mark.parametrize(
    ("name", "least", "most"), [("plucked-string", 5, 12), ("plucked-gut", 3, 6)]
)
def test_plucked_strings_ring_as_steel_and_gut_do(name: str, least: float, most: float) -> None:
    assert least <= 60.0 / early_fall(name, 60) <= most
    assert 0.1 <= early_fall(name, 60) / early_fall(name, 60, 8, 0.4) <= 0.7


def test_a_quill_leaves_what_an_ideal_pluck_leaves() -> None:  # D. E. Hall, KTH 1990
    """A slope of 6 dB an octave, once the comb of the point of contact is taken out."""
    contact = rank_of("plucked-string").contact
    comb = {n: abs(np.sin(np.pi * n * contact)) for n in range(1, 13)}
    numbers = [n for n in comb if comb[n] > 0.3]
    levels = []
    for n in numbers:
        struck = envelope(note("plucked-string"), stretched("plucked-string", 60, n), 120.0)
        levels.append(decibels(float(struck.max() / comb[n])))
    assert -9.0 <= float(np.polyfit(np.log2(numbers), levels, 1)[0]) <= -5.0


def test_a_hammer_that_is_fast_is_hard() -> None:  # A. Askenfelt and E. Jansson (from memory)
    for key in (48, 60, 72):
        soft, hard = (
            centroid(part(note("struck-string", key, v), 0.005, 0.065)) for v in (40, 120)
        )
        assert 1.25 <= hard / soft <= 1.7


def test_felt_stops_a_string_in_a_fifth_of_a_second() -> None:  # from memory: 0.1 to 0.25 s
    levels = envelope(note("struck-string", 60, 100, 1.0, 0.3), hz(60), 60.0)
    assert 0.08 <= 60.0 / fall_db_s(levels, 0.32, 0.42) <= 0.3


def test_a_hammer_at_an_eighth_of_the_string_leaves_out_the_eighth_partial() -> None:
    seventh, eighth, ninth = (
        decibels(envelope(note("struck-string", 48), stretched("struck-string", 48, n), 60.0).max())
        for n in (7, 8, 9)
    )
    assert eighth - (seventh + ninth) / 2 <= -6.0


def test_a_tongue_s_second_mode_is_far_above_and_below_its_first() -> (
    None
):  # a clamped bar, computed
    audio = note("steel-comb")
    second, first = (envelope(audio, hz(60) * r, 100.0).max() for r in (6.267, 1.0))
    assert -24.0 <= decibels(second / first) <= -10.0


# --- bells ---------------------------------------------------------------------------------

HUM, PRIME, TIERCE, QUINT, NOMINAL = 0.5, 1.0, 1.19, 1.506, 2.0


def test_a_bell_s_deep_partials_outlast_the_high_ones() -> None:  # FR, table 21
    audio = note("tower-bell", 60, 100, 12.0)
    until = {HUM: 8.0, PRIME: 8.0, TIERCE: 8.0, QUINT: 2.5, NOMINAL: 2.5}
    levels = {each: envelope(audio, hz(60) * each, 20.0) for each in until}
    t60 = {each: 60.0 / fall_db_s(levels[each], 0.3, end) for each, end in until.items()}
    assert t60[HUM] > t60[PRIME] >= t60[TIERCE] > t60[QUINT] > t60[NOMINAL]
    assert t60[HUM] / t60[NOMINAL] >= 8.0
    loudest = [max(levels, key=lambda each: levels[each][round(at * 48_000)]) for at in (0.1, 5.0)]
    assert loudest[0] == NOMINAL
    assert loudest[1] in (HUM, TIERCE)


def test_a_hand_bell_s_twelfth_rings_a_third_as_long() -> None:  # Rossing and Perrin 1987
    audio = note("hand-bell", 60, 100, 4.0)
    first, third = (60.0 / fall_db_s(envelope(audio, hz(60) * n, 40.0), 0.1, 1.5) for n in (1, 3))
    assert 0.2 <= third / first <= 0.6


# --- winds, glass, drone -------------------------------------------------------------------


def test_a_cylinder_with_a_reed_has_hardly_any_second_harmonic_below() -> (
    None
):  # Benade; Petersen 2020
    levels = steady_db(note("single-reed", 53), 53, range(1, 10))
    assert levels[1] - levels[0] <= -20.0
    near_cutoff = levels[7] - (levels[6] + levels[8]) / 2
    assert abs(near_cutoff) <= 6.0


def test_brass_opens_as_it_is_blown_harder() -> None:  # J. Meyer; D. Luce and M. Clark 1975
    soft, hard = (part(note("brass-horn", 60, each), 0.5, 1.0) for each in (40, 110))
    assert 1.5 <= centroid(hard) / centroid(soft) <= 2.1
    rises = []
    for audio in (note("brass-horn", 60, 40), note("brass-horn", 60, 110)):
        rises.append(part(envelope(audio, hz(60) * 11, 100.0), 0.5, 1.0).mean())
    assert 1.8 <= decibels(rises[1] / rises[0]) / power_db(hard, soft) <= 3.2


def test_a_flute_has_few_harmonics_up_there() -> None:  # Tufts flute study: A5
    _, second, third = steady_db(note("wooden-flute", 81), 81, range(1, 4))
    assert -18.0 <= second <= -10.0
    assert third <= -30.0


def test_the_second_formant_of_a_sung_vowel_is_6_db_below_the_first() -> None:  # the copied table
    hertz, amplitudes = spectrum(part(note("sung-vowels", 36, 100, 2.0), 0.5, 1.9), 1 << 17)
    first, second = (
        amplitudes[(hertz > low) & (hertz < high)].max() for low, high in ((500, 820), (900, 1300))
    )
    assert -10.0 <= decibels(second / first) <= -2.0


def test_rubbed_glass_is_nearly_one_partial() -> None:  # T. D. Rossing 2004
    assert steady_db(note("rubbed-glass"), 60, range(1, 3))[1] <= -18.0


def test_a_wheel_knows_no_touch() -> None:
    soft, hard = (part(note("wheel-drone", 60, each), 0.5, 1.0) for each in (30, 120))
    assert abs(power_db(soft, hard)) <= 0.5


def test_every_sound_s_partials_lie_where_its_file_says() -> None:
    for name, ratios in {
        "struck-bar": (1.0, 4.0),
        "metal-bars": (1.0, 4.0),
        "small-bars": (1.0, 2.757, 5.404),
        "hand-bell": (1.0, 3.0),
        "tower-bell": (0.5, 1.0, 1.19, 2.0),
    }.items():
        hertz, amplitudes = spectrum(part(note(name, 60, 100, 1.2), 0.02, 1.2), 1 << 18)
        for ratio in ratios:
            near = np.abs(hertz / (hz(60) * ratio) - 1) < 0.02
            found = hertz[near][np.argmax(amplitudes[near])]
            assert abs(1200 * np.log2(found / (hz(60) * ratio))) <= 10.0, (name, ratio)
