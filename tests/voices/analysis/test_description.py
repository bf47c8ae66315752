"""What is found in a recorded note, against what it was made of."""

import numpy as np
import pytest

from config.library import shipped
from config.sound import Sound
from daemon.drawing.shown_partials import partials_of
from tests.support.recorded import RATE, Sum, played, summed
from voices.analysis.description import Description, Found, describe
from voices.analysis.recording import UnfitError

SUSTAINED = [Sum(n, -6.0 * np.log2(n), (0.13 * n) % 1.0) for n in range(1, 9)]
STRUCK = [
    Sum(n * np.sqrt((1 + 3e-4 * n * n) / (1 + 3e-4)), -7.0 * np.log2(n), 0.2, 2.4 / n**0.5)
    for n in range(1, 9)
]
BELL = [Sum(1, 0, 0.1, 5), Sum(2, -6, 0, 2.5), Sum(3, -9, 0, 1.6), Sum(5.3, -14, 0, 0.7)]


def cents(found: float, wanted: float) -> float:
    return abs(1200 * float(np.log2(found / wanted)))


def level(found: Found) -> float:
    """Relative to 0 dB of the sum."""
    return found.level_db + 20 * float(np.log10(5))


def check(note: Description, partials: list[Sum], level_db: float, of_cents: float) -> None:
    assert len(note.partials) == len(partials)
    for found, made in zip(note.partials, partials, strict=True):
        assert cents(found.ratio, made.ratio) < of_cents
        assert abs(level(found) - made.level_db) < level_db
        if np.isfinite(made.decay_s):
            assert abs(found.decay_s / made.decay_s - 1) < 0.03
        else:
            assert not np.isfinite(found.decay_s)


@pytest.mark.parametrize(
    ("hz", "partials"),
    [(261.6, SUSTAINED), (110.0, STRUCK), (880.0, BELL)],
    ids=["sustained", "struck", "bell"],
)
def test_a_known_sum_is_found_to_a_tenth_of_a_db_and_of_a_cent(
    hz: float, partials: list[Sum]
) -> None:
    note = describe(summed(hz, partials, 1.2), RATE)
    assert cents(note.hz, hz) < 0.1
    check(note, partials, 0.1, 0.1)
    assert note.noise is None
    assert note.residual_db < -45.0
    assert note.rise_s == pytest.approx(0.004, rel=0.1)
    # Phases, but for the moment that is taken for the onset.
    turned = (note.partials[0].phase - partials[0].phase + 0.5) % 1.0 - 0.5
    for found, made in zip(note.partials, partials, strict=True):
        left = found.phase - made.phase - turned * found.ratio
        assert abs((left + 0.5) % 1.0 - 0.5) < 0.02


@pytest.mark.slow
def test_noise_at_minus_40_db_is_found_and_moves_nothing() -> None:
    note = describe(summed(261.6, STRUCK, 1.5, noise_db=-40.0), RATE)
    check(note, STRUCK, 0.1, 0.1)
    assert note.noise is not None
    assert note.noise.level_db == pytest.approx(-40.0, abs=0.5)
    assert note.noise.high_hz > 20_000
    assert not np.isfinite(note.noise.decay_s)
    # White noise has 3 dB more in each octave.
    bands = [note.noise.bands[hz] for hz in (1000.0, 2000.0, 4000.0, 8000.0)]
    assert np.diff(bands) == pytest.approx([3.0] * 3, abs=0.9)


@pytest.mark.slow
def test_mono_stereo_and_16_bits_make_no_difference() -> None:
    mono = summed(220.0, STRUCK, 1.0)
    sixteen = np.round(mono * 32767) / 32767
    for audio in (sixteen, np.column_stack([sixteen, sixteen]), np.column_stack([mono, 0 * mono])):
        note = describe(audio, RATE)
        assert cents(note.hz, 220.0) < 0.1
        half = 6.02 if audio.ndim == 2 and not audio[:, 1].any() else 0.0
        for found, made in zip(note.partials, STRUCK, strict=True):
            assert abs(level(found) + half - made.level_db) < 0.1


def test_sides_that_cancel_are_not_mixed() -> None:
    mono = summed(220.0, STRUCK, 1.0)
    assert cents(describe(np.column_stack([mono, -mono]), RATE).hz, 220.0) < 0.1


def test_a_slow_rise_is_measured() -> None:
    note = describe(summed(330.0, SUSTAINED, 1.0, rise_s=0.12), RATE)
    assert note.rise_s == pytest.approx(0.12, rel=0.03)


def test_two_decays_are_told_apart() -> None:
    twice = [Sum(1, 0, 0.25, 0.8), Sum(1.00001, -18, 0.25, 4.0)]
    note = describe(summed(440.0, twice, 2.5), RATE)
    assert len(note.partials) == 1
    found = note.partials[0]
    assert found.decay_s == pytest.approx(0.8, rel=0.03)
    assert found.second_decay_s == pytest.approx(4.0, rel=0.03)
    assert found.second_db == pytest.approx(-18.0, abs=0.2)


@pytest.mark.slow
def test_beats_are_a_second_component_with_its_own_frequency() -> None:
    beating = [Sum(1, 0, 0.25, 4.0), Sum(1.003, -10, 0.25, 4.0)]
    found = describe(summed(440.0, beating, 2.0), RATE).partials[0]
    assert found.beats_hz == pytest.approx(1.32, abs=0.01)
    assert found.second_db == pytest.approx(-10.0, abs=0.1)


@pytest.mark.slow
def test_where_the_key_is_released_the_note_ends() -> None:
    sounds = dict(shipped())
    note = describe(played(sounds, "sine", 69, 1.5, held_s=1.0), RATE)
    assert note.release_s == pytest.approx(sounds["sine"].envelope.release_s, rel=0.1)
    assert note.key == 69
    assert note.residual_db < -60.0
    assert not np.isfinite(note.partials[0].decay_s)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "key", "pitch_key"),
    [
        ("flat64", 48, 48),
        ("plucked-gut", 57, 57),
        ("tower-bell", 60, 48),
        ("struck-string", 60, 60),
    ],
)
def test_our_own_sounds_are_recovered(name: str, key: int, pitch_key: int) -> None:
    """The tower bell's lowest mode is an octave below its key."""
    sounds = dict(shipped())
    note = describe(played(sounds, name, key, 3.0), RATE)
    assert note.key == pitch_key
    assert note.residual_db < -35.0
    made = sorted(partials_of(sounds[name], key), key=lambda each: -each.level)
    shift = 2.0 ** ((pitch_key - key) / 12)
    for found in sorted(note.partials, key=lambda each: -each.level_db)[:6]:
        near = [each for each in made if cents(found.ratio * shift, each.ratio) < 1.0]
        assert near, found
        longest = max(near, key=lambda each: each.level)
        if np.isfinite(longest.decay_s):
            assert found.decay_s == pytest.approx(longest.decay_s, rel=0.03)


@pytest.mark.slow
def test_the_noise_of_an_onset_is_kept_apart_from_the_tone() -> None:
    noise = {"hz": [900.0, 7500.0], "partials": 40, "level_db": -18.0, "decay_s": 0.25}
    breathy = Sound.model_validate(
        {
            "title": "Breathy",
            "about": "Made for a measurement.",
            "level_db": -25.0,
            "ranks": [{"harmonics": 6, "slope_db": -8.0}],
            "onset_noise": noise,
            "envelope": {"attack_s": 0.04},
        }
    )
    note = describe(played({"breathy": breathy}, "breathy", 72, 1.2), RATE)
    assert note.noise is not None
    assert note.noise.level_db == pytest.approx(-18.0, abs=5.0)
    assert note.noise.decay_s == pytest.approx(0.25, rel=0.3)
    lowest = [round(each.ratio, 2) for each in note.partials if each.ratio < 6.5]
    assert lowest == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize(
    ("audio", "words"),
    [
        (np.clip(summed(220.0, SUSTAINED, 1.0) * 4, -0.5, 0.5), "is clipped"),
        (np.zeros(RATE), "is silent"),
        (summed(220.0, SUSTAINED, 1.0)[: RATE // 20], "lasts 0.05 s"),
        (np.full(RATE, np.nan), "no numbers"),
        (np.random.default_rng(1).standard_normal(RATE) * 0.1, "holds no"),
        (np.zeros((0, 1)), "lasts 0.00 s"),
    ],
    ids=["clipped", "silent", "short", "nan", "noise", "empty"],
)
def test_what_can_not_be_analysed_is_refused_in_one_line(audio: np.ndarray, words: str) -> None:
    with pytest.raises(UnfitError, match=words) as fault:
        describe(audio, RATE)
    assert "\n" not in str(fault.value)


def test_a_slow_wave_of_full_scale_is_not_called_clipped() -> None:
    wave = 32000 * np.sin(2 * np.pi * 30 * np.arange(RATE) / RATE)
    assert describe(np.round(wave) / 32768, RATE).hz == pytest.approx(30.0, rel=1e-3)
