from math import ceil, log10, pi, sin

import numpy as np
import pytest

from config.sound import Sound
from tests.support.measure import crest_db, db, partial, partial_level, peak, residue_db, rms
from tests.support.playing import RATE, Recording, bend, control, on, play, settings_for, sound

REST = round(0.1 * RATE)
"""Frames left out before a measurement: the attack is over and nothing moves."""
SILENT_DB = -120.0
"""What a partial that has no level may have, the limit set for single precision."""


def key_hz(key: int) -> float:
    """GM2 §2.7.1."""
    return float(440.0 * 2.0 ** ((key - 69) / 12))


def amplitudes_db(amplitudes: list[float]) -> list[float]:
    """Return levels in dB for a sound's list; a missing partial is at its floor of -120 dB."""
    return [max(20 * log10(max(abs(each), 1e-9)), -120.0) for each in amplitudes]


def signed_phases(amplitudes: list[float], at: float = 0.0) -> list[float]:
    """Return phases in cycles: ``at``, half a cycle later where the sign is negative."""
    return [at + (0.5 if each < 0 else 0.0) for each in amplitudes]


def held(shape: Sound, key: int, seconds: float = 1.0, rate: int = RATE) -> Recording:
    """Return one channel of a held note at rest."""
    audio = play(
        [on(0, key)],
        REST + round(seconds * rate),
        settings=settings_for("shape"),
        sounds={"shape": shape},
        sample_rate=rate,
    )
    return audio[REST:, 0]


# Fourier series of the classical waves, bipolar, peak amplitude of partial n (textbook): saw
# 2/(πn) with alternating sign, square 4/(πn) odd n, triangle 8/(π²n²) odd n alternating, pulse
# of duty D (4/(πn))·sin(πnD) as cosines.
COUNT = 40
N = range(1, COUNT + 1)
SERIES: dict[str, list[float]] = {
    "saw": [2 / (pi * n) * (-1) ** (n + 1) for n in N],
    "square": [4 / (pi * n) if n % 2 else 0.0 for n in N],
    "triangle": [8 / (pi * n) ** 2 * (-1) ** ((n - 1) // 2) if n % 2 else 0.0 for n in N],
    "pulse of a quarter": [4 / (pi * n) * sin(pi * n / 4) for n in N],
    "pulse of an eighth": [4 / (pi * n) * sin(pi * n / 8) for n in N],
}


def wave(name: str) -> Sound:
    """Return one of the classical waves as a sound."""
    series = SERIES[name]
    begin = 0.25 if name.startswith("pulse") else 0.0
    return sound(amplitudes_db(series), phase=signed_phases(series, begin))


@pytest.mark.parametrize("name", SERIES)
def test_the_partials_of_a_classical_wave_have_their_fourier_amplitudes(name: str) -> None:
    audio = held(wave(name), key=57)
    first = partial_level(audio, RATE, 220.0) / abs(SERIES[name][0])
    for n, amplitude in zip(N, SERIES[name], strict=True):
        measured = partial_level(audio, RATE, 220.0 * n) / first
        if abs(amplitude) > 1e-9:
            assert abs(db(measured / abs(amplitude))) < 0.01, f"partial {n}"
        else:
            assert db(measured) < -115.0, f"partial {n}"


# Computed: pulse of a quarter, n = 1 to 8.
def test_the_quarter_pulse_has_the_printed_amplitudes() -> None:
    audio = held(wave("pulse of a quarter"), key=57)
    scale = 0.900316 / partial_level(audio, RATE, 220.0)
    printed = (0.900316, 0.636620, 0.300105, 0.0, 0.180063, 0.212207, 0.128617, 0.0)
    for n, expected in enumerate(printed, start=1):
        assert scale * partial_level(audio, RATE, 220.0 * n) == pytest.approx(expected, abs=1e-4)


# Computed: peak and RMS of sums cut off after some partials (bipolar wave of 1).
@pytest.mark.parametrize(
    ("name", "count", "peak_of_sum", "rms_of_sum"),
    [
        ("saw", 8, 1.0658, 0.55635),
        ("square", 15, 1.18028, 0.98727),
        ("triangle", 15, 0.9747, 0.57734),
    ],
)
def test_a_wave_cut_off_after_some_partials_has_the_computed_shape(
    name: str, count: int, peak_of_sum: float, rms_of_sum: float
) -> None:
    series = SERIES[name][:count]
    audio = held(sound(amplitudes_db(series), phase=signed_phases(series)), key=33)
    scale = series[0] / partial_level(audio, RATE, 55.0)
    # One period in 873 samples: the peak is met within 1e-3 of its height.
    assert scale * peak(audio) == pytest.approx(peak_of_sum, abs=2e-3)
    assert scale * rms(audio) == pytest.approx(rms_of_sum, abs=1e-4)


def test_phase_zero_is_a_rising_sine_and_a_quarter_is_its_crest() -> None:
    short = {"attack_s": 0.001}
    for phase in (0.0, 0.25, -0.4):
        shape = sound([0.0], phase=[phase], envelope=short)
        audio = play([on(0, 69)], RATE, settings=settings_for("shape"), sounds={"shape": shape})[
            :, 0
        ]
        # At 440 Hz a second holds whole periods, so that frame 4800 has the phase of the onset.
        angle = np.angle(partial(audio[4800:43_200], RATE, 440.0)) / (2 * pi)
        assert (angle + 0.25 - phase + 0.5) % 1.0 == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize("key", [21, 45, 60, 69, 96, 108])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_everything_but_the_partials_is_below_minus_120_dbc(key: int, rate: int) -> None:
    rich = sound([-20 * log10(n) for n in range(1, 129)])
    audio = held(rich, key, seconds=2.0, rate=rate)
    count = min(128, ceil(rate / (2 * key_hz(key))) - 1)
    partials = [n * key_hz(key) for n in range(1, count + 1)]
    assert residue_db(audio, rate, partials) < SILENT_DB


def test_the_flat_sound_and_the_sine_are_clean_too() -> None:
    for name, count in (("flat64", 64), ("sine", 1)):
        audio = play([on(0, 57)], REST + 2 * RATE, settings=settings_for(name))[REST:, 0]
        assert residue_db(audio, RATE, [220.0 * n for n in range(1, count + 1)]) < SILENT_DB


def test_an_inharmonic_chord_is_clean_too() -> None:
    ratios = [1.0, 2.756, 5.404, 8.933, 13.345]
    bar = sound([0.0, -3.0, -6.0, -9.0, -12.0], ratio=ratios)
    keys = (48, 55, 64)
    audio = play(
        [on(0, key) for key in keys],
        REST + 2 * RATE,
        settings=settings_for("bar"),
        sounds={"bar": bar},
    )[REST:, 0]
    partials = [key_hz(key) * ratio for key in keys for ratio in ratios]
    assert residue_db(audio, RATE, partials) < SILENT_DB


# Partials below half the sample rate: ceil(fs/(2f)) - 1 (computed).
@pytest.mark.parametrize(
    ("rate", "key", "count"),
    [
        (48_000, 60, 91),
        (48_000, 69, 54),
        (48_000, 96, 11),
        (48_000, 108, 5),
        (48_000, 127, 1),
        (44_100, 60, 84),
        (44_100, 69, 50),
        (44_100, 96, 10),
        (44_100, 108, 5),
        (44_100, 127, 1),
        (96_000, 96, 22),
        (96_000, 108, 11),
        (96_000, 127, 3),
    ],
)
def test_a_note_has_as_many_partials_as_fit_below_nyquist(rate: int, key: int, count: int) -> None:
    audio = held(sound([0.0] * 128, phase="low-crest"), key, seconds=2.0, rate=rate)
    frequency = key_hz(key)
    assert ceil(rate / (2 * frequency)) - 1 == count
    first = partial_level(audio, rate, frequency)
    levels = [partial_level(audio, rate, frequency * n) / first for n in range(1, count + 1)]
    # All but the last are whole; the last may be fading, when it is near the limit.
    assert np.abs([db(level) for level in levels[:-1]]).max(initial=0.0) < 0.01
    assert -40.0 < db(levels[-1]) < 0.01
    # Nothing comes back from above the limit.
    assert residue_db(audio, rate, [frequency * n for n in range(1, count + 1)]) < SILENT_DB


def test_a_note_whose_only_partial_lies_above_nyquist_is_silent() -> None:
    high = sound([0.0], ratio=[4.0])
    audio = play([on(0, 120)], RATE, settings=settings_for("high"), sounds={"high": high})
    assert peak(audio) == 0.0


def test_a_note_bent_across_nyquist_leaves_nothing_behind() -> None:
    # Key 127 two octaves up: 50 kHz.
    wide = [control(0, 101, 0), control(0, 100, 0), control(0, 6, 24)]
    audio = play([*wide, on(0, 127), bend(RATE // 2, 8191)], 2 * RATE)
    assert peak(audio[: RATE // 2]) > 0.01
    assert db(peak(audio[RATE:]) / peak(audio)) < SILENT_DB


# Crest factor of 64 equal partials, computed: Schroeder's phases 4.643 dB, sines 18.341 dB.
def test_the_flat_sound_has_a_low_crest() -> None:
    audio = play([on(0, 33)], REST + RATE, settings=settings_for("flat64"))[REST:, 0]
    assert crest_db(audio) < 5.0


# Computed: 1/n partials in sine phase, N = 8 5.647, 16 5.915, 32 6.056, 64 6.128 dB.
@pytest.mark.parametrize(("count", "expected"), [(8, 5.647), (32, 6.056), (64, 6.128)])
def test_the_crest_of_a_falling_spectrum_in_sine_phase_is_the_computed_one(
    count: int, expected: float
) -> None:
    audio = held(sound([-20 * log10(n) for n in range(1, count + 1)]), key=21)
    assert crest_db(audio[: round(27 * RATE / 27.5)]) == pytest.approx(expected, abs=0.02)


# Organ footage is a length ratio: 8' is partial 1, 4' 2, 2 2/3' 3, 1 3/5' 5, 16' 1/2 (textbook).
def test_organ_stops_sound_at_eight_feet_over_their_length() -> None:
    stops = {"16'": -6.0, "8'": 0.0, "5 1/3'": -9.0, "2 2/3'": -3.0, "1 3/5'": -12.0, "1'": -15.0}
    ratios = (0.5, 1.0, 1.5, 3.0, 5.0, 8.0)
    organ = Sound.model_validate({"title": "Stops", "about": "For a test.", "footage": stops})
    audio = held(organ, key=57)
    first = partial_level(audio, RATE, 220.0)
    for ratio, level_db in zip(ratios, stops.values(), strict=True):
        measured = partial_level(audio, RATE, 220.0 * ratio)
        assert db(measured / first) == pytest.approx(level_db, abs=0.01)


def test_a_note_at_rest_has_no_direct_current() -> None:
    audio = play([on(0, 57)], REST + 2 * RATE, settings=settings_for("flat64"))[REST:, 0]
    assert abs(float(audio.mean(dtype=np.float64))) < 1e-6
