"""Knobs on their way against the same partials in double precision, whose gains run in lines."""

from collections.abc import Sequence
from math import exp
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from config.settings import Settings
from tests.support.measure import db
from tests.support.playing import RATE, Event, control, on, perform, sound
from voices.curves import controller_gain, pan_gains, velocity_gain
from voices.instrument import Instrument
from voices.modulation.smoother import CONTROL_PERIOD, SMOOTHING_S

Wave = NDArray[np.float64]
FRAMES = 64 * 400
KEY = 45
PARTIALS = 24
BINDINGS = [
    {"control": 20, "target": "partial", "partial": 3},
    {"control": 21, "target": "even"},
]


HELD = {"attack_s": 0.001, "decay_s": 20.0, "sustain": 1.0}
OCTAVES = np.log2(np.arange(1, PARTIALS + 1))


def path(targets: Sequence[tuple[int, float]], near: float = 1e-3) -> Wave:
    """Return a value at every point of the grid, whose targets are these from frames on."""
    coefficient = 1.0 - exp(-CONTROL_PERIOD / (SMOOTHING_S * RATE))
    value, points = 0.0, [0.0]
    for point in range(0, FRAMES, CONTROL_PERIOD):
        distance = [0.0, *(each for frame, each in targets if frame <= point)][-1] - value
        value += distance if abs(distance) < near else distance * coefficient
        points.append(value)
    return np.array(points)


def drawn(level_db: Wave) -> Wave:
    """Return the gain at every frame, in straight lines from point to point."""
    grid = np.arange(len(level_db)) * CONTROL_PERIOD
    return np.interp(np.arange(FRAMES), grid, 10 ** (level_db / 20))


def note(gains: Sequence[Wave], t60_s: float | Sequence[float] = np.inf, onset: int = 0) -> Wave:
    """Return partials of these gains at every frame."""
    frequency = 440.0 * 2 ** ((KEY - 69) / 12) / RATE
    level = 10 ** (-40 / 20) * velocity_gain(127, 24.0) * controller_gain(100) * pan_gains(64)[0]
    time, wave = np.arange(FRAMES) - onset, np.zeros(FRAMES)
    t60_each = np.broadcast_to(t60_s, len(gains))
    for number, (gain, t60) in enumerate(zip(gains, t60_each, strict=True), start=1):
        left = 10 ** (-3 * np.maximum(time, 0) / RATE / t60)
        wave += gain * left * np.sin(2 * np.pi * (number * frequency * time % 1.0))
    return np.asarray(level * wave)


def instrument(block_frames: int, partials_db: Sequence[float], **partials: Any) -> Instrument:
    made = sound(partials_db, velocity={"tilt_db": 0.0}, envelope=HELD, **partials)
    return Instrument(
        Settings.model_validate({"sound": {"name": "x"}, "bindings": BINDINGS}),
        sample_rate=RATE,
        block_frames=block_frames,
        sounds={"x": made},
    )


def heard(events: list[Event], block_frames: int, **partials: Any) -> Wave:
    playing = instrument(block_frames, [0.0] * PARTIALS, **partials)
    return perform(playing, block_frames, events, FRAMES)[:, 0].astype(np.float64)


def error_db(got: Wave, wanted: Wave, after: int = 4_800) -> float:
    return db(float(np.abs(got - wanted)[after:].max() / np.abs(wanted)[after:].max()))


@pytest.mark.parametrize("block_frames", [32, 64, 256, 1024])
def test_brightness_runs_in_straight_lines_from_point_to_point(block_frames: int) -> None:
    """Down, up again before it has arrived, and back; some of the partials die away fast."""
    t60_s = [5.0, 0.02] * (PARTIALS // 2)
    events = [on(0, KEY), control(9_617, 74, 0), control(9_900, 74, 127), control(20_001, 74, 64)]
    tilt = path([(9_617, -9.0), (9_900, 3.0), (20_001, 0.0)])
    wanted = note([drawn(tilt * octave) for octave in OCTAVES], t60_s)
    assert error_db(heard(events, block_frames, decay_s=t60_s), wanted) < -120.0


@pytest.mark.parametrize("block_frames", [32, 128])
def test_one_channel_moves_beside_another_that_stands_still(block_frames: int) -> None:
    events = [on(0, KEY), on(0, KEY, channel=1), control(9_617, 21, 0)]
    even = drawn(path([(9_617, -60.0)], near=1e-2))
    wanted = note([np.ones(FRAMES) + (even if each % 2 else 1.0) for each in range(PARTIALS)])
    assert error_db(heard(events, block_frames), wanted) < -120.0


@pytest.mark.parametrize("block_frames", [32, 128])
def test_a_note_that_is_struck_while_a_knob_is_on_its_way_goes_along(block_frames: int) -> None:
    struck = 9_743
    before = [on(0, KEY), control(9_617, 74, 0)]
    both = heard([*before, on(struck, KEY)], block_frames)
    tilt = path([(9_617, -9.0)])
    wanted = note([drawn(tilt * octave) for octave in OCTAVES], onset=struck)
    assert error_db(both, wanted, struck + 4_800) < -120.0  # it has taken the first one's place


def test_partials_that_are_left_out_and_taken_back_on_the_way_disturb_no_other() -> None:
    """Half of them are silent anyway; no more than 12 are rendered for some blocks."""
    playing = instrument(64, [0.0] * 12 + [-120.0] * 12)
    limits = iter([*[None] * 151, *[12] * 5, *[None] * FRAMES])
    events = [on(0, KEY), control(9_617, 74, 0)]

    def shed() -> None:
        playing.limit_partials(next(limits))

    got = perform(playing, 64, events, FRAMES, shed)[:, 0].astype(np.float64)
    tilt = path([(9_617, -9.0)])
    assert error_db(got, note([drawn(tilt * octave) for octave in OCTAVES[:12]])) < -110.0
