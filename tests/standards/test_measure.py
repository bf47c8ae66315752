import numpy as np
import pyloudnorm
import pytest
from numpy.typing import NDArray

from tests.support.measure import (
    band_energy,
    cents,
    crest_db,
    db,
    integrated,
    momentary,
    onset,
    partial,
    partial_level,
    pitch,
    residue_db,
    t60,
    true_peak,
    window_loudness,
)

RATE = 48_000
Signal = NDArray[np.float64]


def tone(frequency: float, seconds: float, level: float = 1.0, phase: float = 0.0) -> Signal:
    """Return a sine, its phase in cycles."""
    frames = np.arange(round(seconds * RATE))
    wave: Signal = level * np.sin(2 * np.pi * (frequency / RATE * frames + phase))
    return wave


def in_both_channels(*parts: tuple[float, float]) -> Signal:
    """Return 1 kHz in phase in both channels: (dBFS peak, seconds) after each other."""
    mono = np.concatenate([tone(1000.0, s, 10 ** (level / 20)) for level, s in parts])
    return np.stack([mono, mono], axis=1)


# Computed: the fit reads pure sines within 0.003 cents from 1 s at A0, better above.
@pytest.mark.parametrize("frequency", [27.5, 82.4069, 440.0, 441.237, 4186.009, 12_543.854])
def test_the_pitch_of_a_sine_is_read_to_three_thousandths_of_a_cent(frequency: float) -> None:
    measured = pitch(tone(frequency, 1.0, phase=0.1), RATE, frequency * 1.02)
    assert abs(cents(measured, frequency)) < 0.003


# A Hann window's highest bin is up to 1.42 dB wrong; a flat-top window is not (computed).
@pytest.mark.parametrize("seconds", [0.1, 0.5])
@pytest.mark.parametrize("frequency", [440.0, 1003.7, 9_999.1])
def test_the_level_of_a_partial_is_read_to_a_hundredth_of_a_decibel(
    frequency: float, seconds: float
) -> None:
    both = tone(frequency, seconds, 0.25) + tone(frequency * 1.5, seconds, 1.0)
    assert abs(db(partial_level(both, RATE, frequency) / 0.25)) < 0.01
    assert abs(db(partial_level(both, RATE, frequency + 1.0) / 0.25)) < 0.01


def test_the_phase_of_a_partial_is_read_as_a_cosine() -> None:
    measured = partial(np.asarray(tone(1234.5, 0.5, 0.5, phase=0.35)), RATE, 1234.5)
    assert np.angle(measured) / (2 * np.pi) == pytest.approx(0.35 - 0.25, abs=1e-6)


# Quantiser: SNR = 6.0206·N + 1.7609 dB (computed from the formula: 98.09, 122.17, 146.26).
@pytest.mark.parametrize(("bits", "expected"), [(16, -98.09), (20, -122.17), (24, -146.26)])
def test_the_residue_of_a_quantised_tone_is_the_textbook_value(bits: int, expected: float) -> None:
    step = 2.0 ** (1 - bits)
    quantised = np.round(tone(996.94, 2.0, 1.0 - step, phase=0.03) / step) * step
    assert residue_db(quantised, RATE, [996.94]) == pytest.approx(expected, abs=0.3)


# Computed: a float64 sine rounded to float32 leaves -153.7 dBc.
def test_the_residue_of_a_single_precision_tone_is_far_below_the_limit_of_the_tests() -> None:
    rounded = tone(997.3, 2.0).astype(np.float32)
    assert residue_db(rounded, RATE, [997.3]) == pytest.approx(-153.7, abs=0.7)


def test_a_foreign_tone_shows_in_the_residue() -> None:
    both = tone(440.0, 1.0) + tone(5000.0, 1.0, 1e-6)
    assert residue_db(both, RATE, [440.0]) == pytest.approx(-120.0, abs=0.1)


# Computed: a 0.5 s tone of 1 kHz switched on at its peak; energy above 4 kHz over the whole.
@pytest.mark.parametrize(
    ("ramp_s", "raised_cosine", "expected"),
    [
        (0.0, False, -42.6),
        (0.001, False, -71.1),
        (0.005, False, -84.9),
        (0.001, True, -86.1),
        (0.002, True, -98.4),
        (0.005, True, -114.4),
    ],
)
def test_the_click_of_a_switched_tone_is_the_computed_one(
    ramp_s: float, raised_cosine: bool, expected: float
) -> None:
    wave = tone(1000.0, 0.5, phase=0.25)
    frames = round(ramp_s * RATE)
    ramp = np.arange(frames) / max(frames, 1)
    wave[:frames] *= 0.5 - 0.5 * np.cos(np.pi * ramp) if raised_cosine else ramp
    quiet = round(0.1 * RATE)
    wave[-quiet:] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(quiet) / quiet)
    click = band_energy(wave, RATE, 4000.0, RATE)
    assert 10 * np.log10(click) == pytest.approx(expected, abs=0.5)


# T60 = T means e^(-6.907755·t/T) (computed from ln 1000).
@pytest.mark.parametrize("seconds", [0.05, 0.3, 4.0])
def test_the_slope_of_an_exponential_is_its_t60(seconds: float) -> None:
    levels = 0.3 * np.exp(-6.907755 * np.arange(round(seconds * 1.2 * RATE)) / RATE / seconds)
    assert t60(levels, RATE) == pytest.approx(seconds, rel=1e-6)


# Computed: a 1 ms attack after silence is found within 0.05 ms.
def test_an_onset_after_silence_is_found_on_time() -> None:
    ramp = np.minimum(np.arange(RATE // 2) / 48.0, 1.0)
    sound = np.concatenate([np.zeros(4800), tone(2000.0, 0.5, phase=0.25) * ramp])
    assert 0 <= onset(sound) - 4800 <= 2


# Crest factors, computed: N equal partials as cosines √(2N), as sines, with Schroeder's phases
# (M. R. Schroeder, IEEE Trans. IT-16, 1970, 85-89); sine 3.0103 dB, saw 4.7712 dB.
@pytest.mark.parametrize(
    ("count", "cosines", "sines", "schroeder"),
    [
        (8, 12.041, 9.749, 5.041),
        (16, 15.051, 12.515, 5.230),
        (32, 18.062, 15.397, 4.786),
        (64, 21.072, 18.341, 4.643),
    ],
)
def test_the_crest_of_equal_partials_is_the_computed_one(
    count: int, cosines: float, sines: float, schroeder: float
) -> None:
    cycle = 2 * np.pi * np.arange(1 << 15) / (1 << 15)
    n = np.arange(1, count + 1)[:, None]
    low = np.cos(n * cycle - np.pi * n * (n - 1) / count)
    for partials, expected in (
        (np.cos(n * cycle), cosines),
        (np.sin(n * cycle), sines),
        (low, schroeder),
    ):
        assert crest_db(partials.sum(axis=0)) == pytest.approx(expected, abs=0.02)
    assert crest_db(np.sin(cycle)) == pytest.approx(3.0103, abs=0.001)


# ITU-R BS.1770-4, Annex 1: 997 Hz at 0 dBFS in one channel reads -3.01 LKFS, in both 0.00.
def test_full_scale_997_hz_reads_minus_3_01_lkfs() -> None:
    one = tone(997.0, 5.0)
    assert integrated(one) == pytest.approx(-3.01, abs=0.01)
    assert integrated(np.stack([one, one], axis=1)) == pytest.approx(0.0, abs=0.01)


# EBU Tech 3341, cases 1 to 5 (1 kHz in both channels; from memory), tolerance 0.1 LU.
CASES: list[tuple[list[tuple[float, float]], float]] = [
    ([(-23.0, 20.0)], -23.0),
    ([(-33.0, 20.0)], -33.0),
    ([(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
    ([(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
    ([(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
]


@pytest.mark.slow
@pytest.mark.parametrize(("parts", "expected"), CASES)
def test_the_meter_reads_the_broadcasters_test_signals(
    parts: list[tuple[float, float]], expected: float
) -> None:
    recording = in_both_channels(*parts)
    assert integrated(recording) == pytest.approx(expected, abs=0.1)
    other = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(recording)
    assert integrated(recording) == pytest.approx(other, abs=0.03)


# EBU Tech 3341, cases 9 and 12 (from memory): constant short-term and momentary loudness.
def test_the_sliding_windows_read_the_broadcasters_test_signals() -> None:
    short = window_loudness(in_both_channels(*[(-20.0, 1.34), (-30.0, 1.66)] * 5), 3.0, 0.1)
    assert np.abs(short + 23.0).max() < 0.1
    recording = in_both_channels(*[(-20.0, 0.18), (-30.0, 0.22)] * 25)
    assert np.abs(momentary(recording)[100:] + 23.0).max() < 0.1


# EBU Tech 3341, cases 15 to 19 (from memory): +0.2 / -0.4 dB.
@pytest.mark.parametrize(
    ("divisor", "degrees", "level", "sample_peak_db", "expected_db"),
    [
        (4, 0.0, 0.5, -6.02, -6.0),
        (4, 45.0, 0.5, -9.03, -6.0),
        (6, 60.0, 0.5, -7.27, -6.0),
        (8, 67.5, 0.5, -6.71, -6.0),
        (4, 45.0, 1.41, -0.03, 3.0),
    ],
)
def test_the_true_peak_finds_what_the_samples_miss(
    divisor: int, degrees: float, level: float, sample_peak_db: float, expected_db: float
) -> None:
    frames = np.arange(RATE)
    wave = level * np.sin(2 * np.pi * frames / divisor + np.radians(degrees))
    ramp = np.minimum(np.minimum(frames, frames[::-1]) / 480.0, 1.0)
    assert db(np.abs(wave).max()) == pytest.approx(sample_peak_db, abs=0.01)
    assert -0.4 <= db(true_peak(wave * ramp)) - expected_db <= 0.2
