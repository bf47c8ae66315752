"""Leaps of pitch and of stretch against their exact integrals, in double precision.

Both go to their targets in the steps of `voices.modulation.smoother` and run straight between
them; so partials turn by a polynomial over every control period, and none sounds above Nyquist.
"""

from collections.abc import Callable
from math import exp
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from config.settings import Settings
from tests.support.measure import db
from tests.support.playing import RATE, Event, bend, control, on, play, sound
from voices.curves import (
    bipolar_map,
    controller_gain,
    pan_gains,
    portamento_cents_per_s,
    velocity_gain,
)
from voices.modulation.smoother import CONTROL_PERIOD, SMOOTHING_S
from voices.timbres.harmonic_series import spreads_of

Wave = NDArray[np.float64]
AT = 64 * 150 + 17
"""The frame of the leap."""
FRAMES = 64 * 400
KEY = 36
GLIDE_DB, ELSEWHERE_DB = -40.0, -75.0
FADE_START = 0.4975
KNOB, STIFFEST = 20, 0.0005
SLOW_32, SLOW_256 = (pytest.param(frames, marks=pytest.mark.slow) for frames in (32, 256))


def followed(target: Callable[[int], float], frames: int, tolerance: float) -> Wave:
    """Return what a value is at the control points that follows its target."""
    coefficient = 1.0 - exp(-CONTROL_PERIOD / (SMOOTHING_S * RATE))
    value, path = 0.0, [0.0]
    for point in range(0, frames, CONTROL_PERIOD):
        distance = target(point) - value
        value = target(point) if abs(distance) < tolerance else value + distance * coefficient
        path.append(value)
    return np.array(path)


def points(target_cents: Callable[[int], float], frames: int) -> Wave:
    """Return the frequency ratios at the control points of a pitch that follows its target."""
    return np.asarray(np.exp2(followed(target_cents, frames, 1e-3) / 1200.0))


def integral(ratios: Wave) -> tuple[Wave, Wave]:
    """Return the ratio at every frame and its integral up to there."""
    step = np.arange(CONTROL_PERIOD)
    begin, change = ratios[:-1, None], np.diff(ratios)[:, None] / CONTROL_PERIOD
    inside = begin * step + change * step**2 / 2
    whole = CONTROL_PERIOD * (ratios[1:] + ratios[:-1]) / 2
    before = np.concatenate([[0.0], np.cumsum(whole)[:-1]])[:, None]
    return (begin + change * step).reshape(-1), (before + inside).reshape(-1)


def exact(ratios: Wave, partials: int, key: int, t60_s: float, stretch: Wave | None = None) -> Wave:
    """Return a note of equal partials from frame 0 on, whose pitch goes through these points."""
    now, turned = integral(ratios)
    stretch = np.zeros(len(ratios)) if stretch is None else stretch
    stiff_now, stiff_turned = integral(ratios * stretch)
    shares = spreads_of(np.arange(1.0, partials + 1), 0.0)[0]
    frequency = 440.0 * 2 ** ((key - 69) / 12) / RATE
    gain = 10 ** (-40 / 20) * velocity_gain(127, 24.0) * controller_gain(100) * pan_gains(64)[0]
    wave = np.zeros(len(turned))
    for partial, share in enumerate(shares, 1):
        each = partial * frequency * (now + share * stiff_now)
        weight = np.clip((0.5 - each) / (0.5 - FADE_START), 0.0, 1.0)
        cycles = partial * frequency * (turned + share * stiff_turned)
        wave += weight * np.sin(2 * np.pi * (cycles % 1.0))
    return np.asarray(gain * wave * 10 ** (-3 * np.arange(len(wave)) / RATE / t60_s))


def play_flat(
    events: list[Event], partials: int, block_frames: int, t60_s: float, depth_cents: float
) -> Wave:
    decaying: dict[str, Any] = {} if np.isinf(t60_s) else {"decay_s": t60_s}
    bindings = [{"control": KNOB, "target": "stretch", "high": STIFFEST}]
    vibrato = {"depth_cents": depth_cents, "rate_hz": 6.0}
    return play(
        events,
        FRAMES,
        settings=Settings.model_validate(
            {"sound": {"name": "x"}, "vibrato": vibrato, "bindings": bindings}
        ),
        block_frames=block_frames,
        sounds={"x": sound([0.0] * partials, envelope={"attack_s": 0.001}, **decaying)},
    )[:, 0].astype(float)


def errors_db(
    events: list[Event],
    target_cents: Callable[[int], float],
    *,
    partials: int = 64,
    key: int = KEY,
    block_frames: int = 64,
    t60_s: float = np.inf,
    stretch: Callable[[int], float] = lambda _: 0.0,
) -> tuple[float, float]:
    """Return the largest error of a control period in the 4 ms glide, and elsewhere.

    Both against the level of the note.
    """
    heard = play_flat(events, partials, block_frames, t60_s, 0.0)
    stretches = followed(stretch, FRAMES, 1e-7)
    wanted = exact(points(target_cents, FRAMES), partials, key, t60_s, stretches)[:FRAMES]
    error = (heard - wanted)[4_800:].reshape(-1, CONTROL_PERIOD)
    level = np.sqrt(np.mean(wanted[4_800:AT] ** 2))
    by_period = np.sqrt(np.mean(error**2, axis=1)) / level
    glide = (AT - 4_800) // CONTROL_PERIOD
    gliding = slice(glide, glide + 1 + int(SMOOTHING_S * RATE / CONTROL_PERIOD))
    inside = by_period[gliding].max()
    by_period[gliding] = 0.0
    return db(float(inside)), db(float(by_period.max()))


def leap(cents: float) -> Callable[[int], float]:
    return lambda point: cents if point >= AT else 0.0


@pytest.mark.parametrize("block_frames", [SLOW_32, 64, SLOW_256])
@pytest.mark.parametrize("semitones", [1, 2, 7, 12, 24, 36, 60, -1, -12, -24])
def test_a_legato_leap_follows_its_pitch(semitones: int, block_frames: int) -> None:
    """The key that is struck before the last is up; 64 equal partials."""
    events = [control(0, 126, 1), on(0, KEY), on(AT, KEY + semitones)]
    inside, elsewhere = errors_db(events, leap(100.0 * semitones), block_frames=block_frames)
    assert inside < GLIDE_DB
    assert elsewhere < ELSEWHERE_DB


def test_a_leap_of_partials_that_decay_follows_pitch_and_decay() -> None:
    events = [control(0, 126, 1), on(0, KEY), on(AT, KEY + 12)]
    inside, elsewhere = errors_db(events, leap(1200.0), t60_s=0.8)
    assert inside < ELSEWHERE_DB
    assert elsewhere < ELSEWHERE_DB


@pytest.mark.slow
@pytest.mark.parametrize("time", [1, 8, 20, 30, 40, 48, 56, 64, 80, 100, 127])
@pytest.mark.parametrize("semitones", [12, -24])
def test_a_portamento_of_any_speed_follows_its_pitch(time: int, semitones: int) -> None:
    per_frame = portamento_cents_per_s(time) / RATE

    def target(point: int) -> float:
        gone = per_frame * max(0, point - AT)
        return np.sign(semitones) * min(gone, 100.0 * abs(semitones)) if point >= AT else 0.0

    events = [control(0, 126, 1), control(0, 65, 127), control(0, 5, time), on(0, KEY)]
    events.append(on(AT, KEY + semitones))
    inside, elsewhere = errors_db(events, target)
    assert inside < ELSEWHERE_DB
    assert elsewhere < ELSEWHERE_DB


@pytest.mark.parametrize("key", [KEY, 72, 108])
@pytest.mark.parametrize("semitones", [96, 48, 12, 2, -2, -12, -48, -96])
def test_a_bend_of_any_width_follows_its_pitch(semitones: int, key: int) -> None:
    """Bent to an end of a range of 96 semitones, and of narrower ones."""
    wide = [control(0, 101, 0), control(0, 100, 0), control(0, 6, abs(semitones))]
    value = 8191 if semitones > 0 else -8192
    cents = 100.0 * abs(semitones) * value / 8192
    events = [*wide, on(0, key), bend(AT, value)]
    inside, elsewhere = errors_db(events, leap(cents), partials=5, key=key)
    assert inside < GLIDE_DB
    assert elsewhere < ELSEWHERE_DB


@pytest.mark.parametrize(("key", "partials"), [(48, 64), (72, 40), (96, 10)])
@pytest.mark.parametrize("depth_cents", [50.0, 200.0])
def test_vibrato_follows_its_pitch_up_to_the_highest_partials(
    key: int, partials: int, depth_cents: float
) -> None:
    heard = play_flat([control(0, 1, 127), on(0, key)], partials, 128, np.inf, depth_cents)
    grid = np.arange(0, FRAMES + CONTROL_PERIOD, CONTROL_PERIOD)
    ratios = np.exp2(depth_cents * np.sin(2 * np.pi * 6.0 * grid / RATE) / 1200.0)
    wanted = exact(ratios, partials, key, np.inf)[:FRAMES]
    error = (heard - wanted)[4_800:].reshape(-1, CONTROL_PERIOD)
    largest = np.sqrt(np.mean(error**2, axis=1)).max()
    assert db(float(largest / np.sqrt(np.mean(wanted**2)))) < ELSEWHERE_DB


def leap_of_knob(first: int, then: int) -> tuple[list[Event], Callable[[int], float]]:
    """Return the messages of a knob that leaps, and the stretch at each frame that it asks for."""
    ends = [bipolar_map(value, 0.0, STIFFEST) for value in (first, then)]
    events = [control(1000, KNOB, first), control(AT, KNOB, then)]
    return events, lambda point: 0.0 if point < 1000 else ends[point >= AT]


@pytest.mark.parametrize(
    ("key", "partials"), [(KEY, 24), (KEY, 32), (KEY, 64), (57, 24), (72, 40), (96, 10)]
)
@pytest.mark.parametrize(("first", "then"), [(0, 127), (127, 0)])
def test_a_leap_of_stretch_from_end_to_end_follows_it(
    key: int, partials: int, first: int, then: int
) -> None:
    """The highest partials leap by octaves, past Nyquist too, and by less than a semitone."""
    moves, stretch = leap_of_knob(first, then)
    events = [on(0, key), *moves]
    inside, elsewhere = errors_db(events, leap(0.0), partials=partials, key=key, stretch=stretch)
    assert inside < ELSEWHERE_DB
    assert elsewhere < ELSEWHERE_DB


@pytest.mark.parametrize("block_frames", [64, SLOW_256])
@pytest.mark.parametrize(("key", "partials"), [(KEY, 32), (57, 24)])
def test_a_leap_of_stretch_and_a_bend_at_once_follow_both(
    key: int, partials: int, block_frames: int
) -> None:
    moves, stretch = leap_of_knob(0, 127)
    events = [on(0, key), *moves, bend(AT, 8191)]
    cents, more = leap(200.0 * 8191 / 8192), {"partials": partials, "key": key}
    inside, elsewhere = errors_db(events, cents, **more, block_frames=block_frames, stretch=stretch)
    assert inside < ELSEWHERE_DB
    assert elsewhere < ELSEWHERE_DB
