"""The tremulant, by what it does to a sine.

Sources: J. Liljencrants on tremulants (some 7 a second; level and pitch together) and common
practice (3.5 to 7.5 a second, 1 to 8 dB, 5 to 60 cents from low to high). A loudspeaker that turns
shifts the pitch by the speed of its mouth over that of sound (Doppler, computed).
"""

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from config import space
from tests.support.measure import db
from tests.support.measure_sounds import beat, part, passed
from voices.output.tremulant import Tremulant

pytestmark = pytest.mark.slow
RATE, HZ, LEVEL = 48_000, 1000.0, 0.25
CLICK_DB = -80.0
"""What a sine of 1 kHz that moves may have above 6 kHz."""
Sides = NDArray[np.float32]


def chosen(kind: str, level_db: float, pitch_cents: float, rate_hz: float) -> space.Tremulant:
    told = {"kind": kind, "level_db": level_db, "pitch_cents": pitch_cents, "rate_hz": rate_hz}
    return space.Tremulant.model_validate(told)


@cache
def swung(
    kind: str = "wind",
    moves: tuple[tuple[float, float, bool], ...] = ((0.0, 1.0, True),),
    seconds: float = 6.0,
    frames: int = 256,
    level_db: float = 3.0,
    pitch_cents: float = 16.0,
    rate_hz: float = 6.0,
    hertz: float = HZ,
) -> Sides:
    """Return a sine through a tremulant; ``moves`` are times, depths, and whether it is fast."""
    tremulant = Tremulant(chosen(kind, level_db, pitch_cents, rate_hz), RATE, frames)
    length = -(-round(seconds * RATE) // frames) * frames
    wave = LEVEL * np.sin(2 * np.pi * hertz / RATE * np.arange(length))
    sides = np.tile(wave.astype(np.float32), (2, 1))
    waiting = [(round(at_s * RATE), depth, fast) for at_s, depth, fast in moves]
    for start in range(0, length, frames):
        while waiting and waiting[0][0] < start + frames:
            at, depth, fast = waiting.pop(0)
            tremulant.aim(depth, at, fast=fast)
        if tremulant.active:
            tremulant.apply(sides[:, start : start + frames], start)
    return sides


def read(side: Sides) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return level and cents of a sine, frame by frame."""
    smooth = np.hanning(961) / np.hanning(961).sum()
    turned = side * np.exp(-2j * np.pi * HZ / RATE * np.arange(len(side)))
    phasor = np.convolve(turned, smooth, "same")
    hertz = HZ + np.gradient(np.unwrap(np.angle(phasor))) * RATE / (2 * np.pi)
    return 2 * np.abs(phasor), 1200 * np.log2(hertz / HZ)


def between(values: NDArray[np.float64], begin_s: float, end_s: float) -> NDArray[np.float64]:
    return values[round(begin_s * RATE) : round(end_s * RATE)]


@pytest.mark.parametrize(("level_db", "pitch_cents"), [(1.0, 5.0), (3.0, 16.0), (8.0, 60.0)])
def test_wind_swings_level_and_pitch_as_far_as_is_asked(
    level_db: float, pitch_cents: float
) -> None:
    levels, cents = read(swung(level_db=level_db, pitch_cents=pitch_cents)[0])
    levels, cents = between(levels, 4.5, 5.9), between(cents, 4.5, 5.9)
    rate, depth_db = beat(levels)
    assert 4.0 <= rate <= 7.5
    assert depth_db == pytest.approx(level_db, rel=0.25)
    assert np.ptp(cents) == pytest.approx(pitch_cents, rel=0.15)
    # More wind is louder and sharper at once.
    assert np.corrcoef(np.log(levels), cents)[0, 1] > 0.9


def test_half_the_depth_swings_half_as_far() -> None:
    whole, half = (
        between(read(swung(moves=((0.0, depth, True),))[0])[1], 4.5, 5.9) for depth in (1.0, 0.5)
    )
    assert np.ptp(half) == pytest.approx(np.ptp(whole) / 2, rel=0.05)


def test_wind_is_alike_on_both_sides() -> None:
    left, right = swung()
    assert np.array_equal(left, right)


def speed(levels: NDArray[np.float64]) -> float:
    return beat(levels)[0]


def test_the_rotor_has_two_speeds_and_takes_longer_to_slow_down() -> None:
    moves = ((0.0, 1.0, False), (6.0, 1.0, True), (12.0, 1.0, False))
    left, right = swung("rotor", moves, 20.0, level_db=6.0)
    fast = 2 * 1200 * np.log2(1 + 2 * np.pi * 0.09 * 6.0 / 343.0)
    _, cents = read(left)
    assert 0.7 <= speed(between(cents, 2.0, 5.9) + 100.0) <= 0.85
    assert 5.3 <= speed(between(cents, 9.0, 11.9) + 100.0) <= 7.2
    assert np.ptp(between(cents, 9.0, 11.9)) == pytest.approx(fast, rel=0.1)
    # Slower, its mouth moves slower, and shifts the pitch by less.
    slow = np.ptp(between(cents, 3.0, 5.9))
    assert slow == pytest.approx(fast * 0.8 / 6.0, rel=0.2)
    # The pitch swings as far as it is fast: 63 % of the way after 0.8 s up, 1.7 s down.
    reach = [np.ptp(between(cents, at, at + 0.7)) for at in np.arange(0.0, 19.2, 0.1)]
    way = slow + 0.63 * (fast - slow)
    up_s = 0.1 * np.argmax(np.array(reach[60:]) > way)
    down_s = 0.1 * np.argmax(np.array(reach[120:]) < fast - 0.63 * (fast - slow))
    assert 0.1 <= up_s <= 1.2
    assert 1.0 <= down_s <= 2.5
    # The sides are a quarter turn apart.
    one, other = (between(read(side)[0], 9.0, 11.9) for side in (left, right))
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.3


@pytest.mark.parametrize("kind", ["wind", "rotor"])
def test_it_comes_and_goes_without_a_click(kind: str) -> None:
    audio = swung(kind, ((0.5, 1.0, True), (3.0, 0.0, True)), 12.0)[0]
    rough = passed(part(audio, 0.2, 11.8), "high", 6000.0, 8)
    assert db(np.abs(part(rough, 0.1, 11.5)).max() / LEVEL) < CLICK_DB


def test_before_it_and_after_it_the_mix_is_untouched() -> None:
    audio = swung("wind", ((1.0, 1.0, True), (2.0, 0.0, True)), 16.0)
    plain = swung("wind", (), 16.0)
    assert np.array_equal(audio[:, :RATE], plain[:, :RATE])
    assert np.array_equal(audio[:, 15 * RATE :], plain[:, 15 * RATE :])
    assert not np.array_equal(audio[:, RATE : 2 * RATE], plain[:, RATE : 2 * RATE])


@pytest.mark.parametrize("kind", ["wind", "rotor"])
def test_it_does_not_depend_on_the_blocks(kind: str) -> None:
    moves = ((0.013, 1.0, True), (1.0, 0.4, False))
    short, long = (swung(kind, moves, 2.0, frames) for frames in (64, 512))
    count = min(short.shape[1], long.shape[1])
    assert np.abs(short[:, :count] - long[:, :count]).max() < 1e-6


def test_how_far_a_rotor_shifts_the_pitch_follows_from_its_speed_alone() -> None:
    other = swung("rotor", pitch_cents=60.0, level_db=0.0)
    assert np.array_equal(swung("rotor", pitch_cents=5.0, level_db=0.0), other)
    _, cents = read(swung("rotor", rate_hz=3.0, level_db=0.0)[0])
    half = 2 * 1200 * np.log2(1 + 2 * np.pi * 0.09 * 3.0 / 343.0)
    assert np.ptp(between(cents, 4.5, 5.9)) == pytest.approx(half, rel=0.1)


def test_the_slowest_and_widest_swing_is_read_from_what_was_played() -> None:
    audio = swung(pitch_cents=60.0, level_db=0.0, rate_hz=0.5, seconds=8.0)[0]
    levels, cents = read(audio)
    assert np.abs(between(levels, 4.0, 7.8) / LEVEL - 1.0).max() < 0.1
    assert np.ptp(between(cents, 4.0, 7.8)) == pytest.approx(60.0, rel=0.15)
    rough = passed(part(audio, 0.2, 7.8), "high", 6000.0, 8)
    assert db(np.abs(part(rough, 0.1, 7.5)).max() / LEVEL) < CLICK_DB


@pytest.mark.parametrize(
    ("hertz", "pitch_cents", "bound_db"),
    [
        (1000.0, 60.0, -95.0),
        (5000.0, 60.0, -75.0),
        (10_000.0, 16.0, -80.0),
    ],
)
def test_a_sine_that_is_read_along_the_swing_stays_one(
    hertz: float, pitch_cents: float, bound_db: float
) -> None:
    audio = swung(pitch_cents=pitch_cents, level_db=0.0, hertz=hertz)[0]
    whole = part(audio, 3.0, 5.9)
    spectrum = np.abs(np.fft.rfft(whole * np.kaiser(len(whole), 18.0)))
    at = np.fft.rfftfreq(len(whole), 1 / RATE)
    apart = np.abs(at - hertz) > 0.1 * hertz + 400.0  # beyond the swing's own side bands
    assert db(spectrum[apart].max() / spectrum.max()) < bound_db


@pytest.mark.parametrize("kinds", [("wind", "rotor"), ("rotor", "wind")])
def test_settings_that_change_while_it_swings_do_not_click(kinds: tuple[str, str]) -> None:
    before, after = (
        chosen(kind, 3.0, cents, 6.0) for kind, cents in zip(kinds, (60.0, 5.0), strict=True)
    )
    tremulant = Tremulant(before, RATE, 64)
    tremulant.aim(1.0, 0)
    wave = LEVEL * np.sin(2 * np.pi * HZ / RATE * np.arange(4 * RATE))
    sides = np.tile(wave.astype(np.float32), (2, 1))
    for start in range(0, 4 * RATE, 64):
        if start == 2 * RATE:
            tremulant.use(after, start)
        tremulant.apply(sides[:, start : start + 64], start)
    rough = passed(part(sides[1], 0.2, 3.9), "high", 6000.0, 8)
    assert db(np.abs(part(rough, 0.1, 3.5)).max() / LEVEL) < CLICK_DB
