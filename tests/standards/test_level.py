from collections.abc import Iterator

import numpy as np
import pytest

from config.library import shipped
from config.settings import Settings
from tests.support.measure import db, momentary, partial_level, peak
from tests.support.playing import (
    RATE,
    Event,
    Recording,
    control,
    off,
    on,
    play,
    settings_for,
    sound,
)

STEP = round(0.2 * RATE)
"""Frames a control value is held for, to be measured in the second half."""
C4, A4 = 60, 69
DEFAULT_CEILING_DB = -1.0


def stepped(number: int, values: list[int]) -> list[tuple[float, float]]:
    """Return the levels left and right of a held sine at each value of a controller."""
    steps: list[Event] = [
        control((step + 1) * STEP, number, value) for step, value in enumerate(values)
    ]
    audio = play([on(0, A4), *steps], (len(values) + 1) * STEP)
    measured = []
    for step in range(1, len(values) + 1):
        rest = audio[step * STEP + STEP // 2 : (step + 1) * STEP]
        left, right = (partial_level(rest[:, side], RATE, 440.0) for side in (0, 1))
        measured.append((left, right))
    return measured


# GM2 v1.2a §3.3.4, 3.3.6: 40·log10(v/127) dB for channel volume and for expression (computed).
SQUARE_LAW_DB = {
    127: 0.0,
    120: -0.985,
    112: -2.183,
    100: -4.152,
    96: -4.861,
    90: -5.982,
    80: -8.029,
    64: -11.905,
    50: -16.193,
    32: -23.946,
    16: -35.987,
    8: -48.029,
    1: -84.152,
}


@pytest.mark.parametrize("number", [7, 11])
def test_volume_and_expression_follow_the_square_law(number: int) -> None:
    measured = stepped(number, [*SQUARE_LAW_DB, 0])
    full = measured[0][0]
    for (left, right), expected in zip(measured[:-1], SQUARE_LAW_DB.values(), strict=True):
        assert db(left / full) == pytest.approx(expected, abs=0.01)
        assert db(right / full) == pytest.approx(expected, abs=0.01)
    assert db(measured[-1][0] / full) < -120.0


# GM2 v1.2a prints 64 and 64: -23.8 dB, 32 and 96: -28.8 dB (computed -23.810, -28.807).
@pytest.mark.parametrize(
    ("volume", "expression", "expected"), [(64, 64, -23.81), (32, 96, -28.807)]
)
def test_volume_and_expression_add_in_decibels(
    volume: int, expression: int, expected: float
) -> None:
    def level(*events: Event) -> float:
        return partial_level(play([*events, on(0, A4)], RATE)[STEP:, 0], RATE, 440.0)

    full = level(control(0, 7, 127), control(0, 11, 127))
    both = level(control(0, 7, volume), control(0, 11, expression))
    assert db(both / full) == pytest.approx(expected, abs=0.01)


# GM2 v1.2a §3.3.4: at power-up volume is 100 and expression 127.
def test_a_fresh_channel_has_volume_100_and_full_expression() -> None:
    plain = play([on(0, A4)], RATE)
    set_by_hand = play(
        [control(0, 7, 100), control(0, 11, 127), control(0, 10, 64), on(0, A4)], RATE
    )
    assert np.array_equal(plain, set_by_hand)


# RP-036: L = cos a, R = sin a, a = (π/2)·max(0, p - 1)/126 (computed); None is silence.
PAN_DB: dict[int, tuple[float | None, float | None]] = {
    0: (0.0, None),
    1: (0.0, None),
    2: (-0.001, -38.085),
    16: (-0.153, -14.614),
    32: (-0.665, -8.475),
    63: (-2.903, -3.120),
    64: (-3.010, -3.010),
    65: (-3.120, -2.903),
    96: (-8.475, -0.665),
    127: (None, 0.0),
}


def test_pan_follows_the_default_pan_formula() -> None:
    full = stepped(10, [0])[0][0]
    for measured, expected in zip(stepped(10, list(PAN_DB)), PAN_DB.values(), strict=True):
        for level, side_db in zip(measured, expected, strict=True):
            if side_db is None:
                assert db(level / full) < -120.0
            else:
                assert db(level / full) == pytest.approx(side_db, abs=0.01)


@pytest.mark.slow
def test_pan_keeps_the_power_at_all_128_places_and_mirrors() -> None:
    measured = np.array(stepped(10, list(range(128))))
    power = (measured**2).sum(axis=1)
    assert np.abs(power / power[0] - 1.0).max() < 1e-5
    assert np.allclose(measured[1:], measured[:0:-1, ::-1], atol=1e-6 * measured.max())


def test_a_mono_card_hears_the_centre_whatever_the_pan() -> None:
    centre = play([on(0, A4)], RATE)
    for place in (0, 30, 127):
        audio = play([control(0, 10, place), on(0, A4)], RATE, mono=True)
        assert np.array_equal(audio[:, 0], audio[:, 1])
        assert np.allclose(audio, centre, atol=1e-6)


# R. B. Dannenberg, The Interpretation of MIDI Velocity, ICMC 2006 (formula second hand), with
# -R dB at velocity 1 and 0 dB at 127: values in dB at velocities 1, 16, 32, 64, 96, 127, computed.
VELOCITIES = (1, 16, 32, 64, 96, 127)
VELOCITY_DB = {
    20.0: (-20.00, -16.02, -12.59, -7.27, -3.20, 0.0),
    30.0: (-30.00, -22.38, -16.80, -9.20, -3.93, 0.0),
    40.0: (-40.00, -27.35, -19.72, -10.39, -4.35, 0.0),
    48.0: (-48.00, -30.32, -21.29, -10.98, -4.55, 0.0),
    60.0: (-60.00, -33.32, -22.75, -11.50, -4.73, 0.0),
}


def struck(velocity: int, range_db: float, **settings: object) -> float:
    """Return the level of a note at a velocity."""
    shape = sound([0.0], velocity={"range_db": range_db})
    audio = play(
        [on(0, A4, velocity)],
        STEP + RATE // 2,
        settings=settings_for("shape", **settings),
        sounds={"shape": shape},
    )
    return partial_level(audio[STEP:, 0], RATE, 440.0)


@pytest.mark.parametrize("range_db", VELOCITY_DB)
def test_the_velocity_law_has_the_published_values(range_db: float) -> None:
    full = struck(127, range_db)
    for velocity, expected in zip(VELOCITIES, VELOCITY_DB[range_db], strict=True):
        measured = db(struck(velocity, range_db) / full)
        # The table has two decimals.
        assert measured == pytest.approx(expected, abs=0.015)


@pytest.mark.slow
def test_a_harder_stroke_is_always_louder() -> None:
    levels = [struck(velocity, 40.0) for velocity in range(1, 128, 3)]
    assert (np.diff(levels) > 0).all()


def test_a_range_of_nothing_makes_every_stroke_alike() -> None:
    assert struck(1, 0.0) == pytest.approx(struck(127, 0.0), rel=1e-6)


def test_a_fixed_velocity_takes_the_place_of_the_played_one() -> None:
    fixed = {"fixed_velocity": 64}
    assert struck(1, 40.0, controller=fixed) == pytest.approx(struck(64, 40.0), rel=1e-6)
    assert struck(127, 40.0, controller=fixed) == pytest.approx(struck(64, 40.0), rel=1e-6)


@pytest.mark.parametrize("volume_db", [-20.0, -6.0, 3.0])
def test_the_volume_of_the_instrument_is_in_decibels(volume_db: float) -> None:
    moved = struck(100, 24.0, level={"volume_db": volume_db})
    assert db(moved / struck(100, 24.0)) == pytest.approx(volume_db, abs=0.01)


def single(name: str, key: int, velocity: int, seconds: float) -> Recording:
    """Return a held note of a shipped sound at default settings."""
    return play([on(0, key, velocity)], round(seconds * RATE), settings=settings_for(name))


# The headroom law: eight such notes fit under a ceiling of -1 dBFS (20·log10(8) = 18.06 dB).
@pytest.mark.slow
@pytest.mark.parametrize("name", shipped())
def test_one_note_at_full_velocity_stays_at_minus_19_dbfs(name: str) -> None:
    peaks = {key: db(peak(single(name, key, 127, 1.5))) for key in range(24, 109, 6)}
    assert max(peaks.values()) <= -19.0, peaks


PLAIN = ("sine", "flat64")
"""Their notes begin alike; those of ranks begin with other phases each time."""


@pytest.mark.parametrize("name", PLAIN)
def test_eight_notes_in_step_are_the_sum_of_eight_single_ones(name: str) -> None:
    one = play([on(0, C4)], RATE, settings=settings_for(name)).astype(np.float64)
    eight = play(
        [on(0, C4, channel=channel) for channel in range(8)], RATE, settings=settings_for(name)
    )
    assert peak(eight) <= 10 ** (DEFAULT_CEILING_DB / 20)
    assert np.abs(eight - 8.0 * one).max() < 1e-5 * peak(eight)


@pytest.mark.parametrize("name", PLAIN)
def test_a_chord_of_eight_notes_is_the_sum_of_its_notes(name: str) -> None:
    chord = (36, 48, 55, 60, 64, 67, 70, 72)
    together = play([on(0, key) for key in chord], RATE, settings=settings_for(name))
    apart = sum(single(name, key, 127, 1.0).astype(np.float64) for key in chord)
    assert np.abs(together - apart).max() < 1e-5 * peak(together)


def crowd() -> Iterator[Event]:
    """Yield 64 keys struck as hard as can be, with everything turned up."""
    yield control(0, 7, 127)
    for key in range(32, 96):
        yield on(480, key)
    # And again, some of them let go.
    for key in range(32, 96, 2):
        yield off(RATE // 2, key)
        yield on(RATE // 2 + 1000, key)


@pytest.mark.parametrize("block_frames", [pytest.param(64, marks=pytest.mark.slow), 1024])
@pytest.mark.parametrize("ceiling_db", [-1.0, -12.0, 0.0])
@pytest.mark.parametrize("name", ["market-organ", "flat64", "sine", "struck-bar"])
def test_no_crowd_of_notes_gets_over_the_ceiling(
    name: str, ceiling_db: float, block_frames: int
) -> None:
    level = {"ceiling_db": ceiling_db, "volume_db": 12.0}
    settings = settings_for(name, polyphony=64, level=level)
    audio = play(crowd(), RATE, settings=settings, block_frames=block_frames)
    ceiling = 10 ** (ceiling_db / 20)
    assert np.isfinite(audio).all()
    # Rounding to single precision.
    assert peak(audio) <= ceiling * (1 + 1e-6)
    # It was put to the test.
    assert peak(audio) > 0.5 * ceiling


def test_below_the_ceiling_nothing_is_touched() -> None:
    def recorded(ceiling_db: float) -> Recording:
        settings = settings_for("market-organ", level={"ceiling_db": ceiling_db})
        return play([on(0, C4), on(5000, 67), on(9000, 72)], RATE, settings=settings)

    free = recorded(0.0)
    just_above = float(np.ceil(db(peak(free)) * 10) / 10) + 0.1
    assert np.array_equal(free, recorded(just_above))


# ITU-R BS.1770-4 momentary loudness (400 ms): a two-second C4 at velocity 100.
def loudness(name: str, settings: Settings) -> float:
    """Return the maximum momentary loudness of a sound in LUFS."""
    audio = play([on(0, C4, 100), off(2 * RATE, C4)], 4 * RATE, settings=settings)
    return float(momentary(np.concatenate([np.zeros((RATE // 2, 2), np.float32), audio])).max())


@pytest.mark.slow
def test_all_sounds_are_equally_loud_and_neither_faint_nor_loud() -> None:
    measured = {
        name: loudness(name, settings_for(name, room={"level_db": -80.0})) for name in shipped()
    }
    assert all(-34.0 <= lufs <= -26.0 for lufs in measured.values()), measured
    played = [lufs for name, lufs in measured.items() if name not in PLAIN]
    assert max(played) - min(played) <= 1.0, measured
