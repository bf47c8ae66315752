"""A chord in vibrato, bent and struck on the way, against its partials in double precision."""

from collections.abc import Iterable, Sequence
from math import exp, log, sqrt
from operator import itemgetter
from random import Random
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from config.settings import Settings
from tests.support.measure import db, peak
from tests.support.playing import RATE, Event, Recording, bend, control, off, on, play, sound
from voices.curves import controller_gain, pan_gains, velocity_gain
from voices.modulation.smoother import CONTROL_PERIOD, SMOOTHING_S
from voices.modulation.vibrato_lfo import LONGEST_BLOCK
from voices.phases.reading_kernel import TOGETHER, kernels

Wave = NDArray[np.float64]
FRAMES = 24 * LONGEST_BLOCK
KEYS = range(36, 52)
PARTIALS = 32
HELD = {"attack_s": 0.001, "decay_s": 20.0, "sustain": 1.0}
BENT = 12 * LONGEST_BLOCK + 17
STRETCH = 1e-7
"""Of a string a little stiff: its partials are of no harmonic series."""
DECAYS_S = [3.0 / number**0.8 for number in range(1, PARTIALS + 1)]
"""Of the partials of a chord that dies away, at C4 ..."""
PER_OCTAVE = 0.7
"""... and the factor for every octave above it."""


def heard(
    events: list[Event],
    block_frames: int,
    partials: int = PARTIALS,
    *,
    dying: Sequence[float] = (),
    stretch: float = STRETCH,
) -> Recording:
    decays: dict[str, Any] = (
        {"decay_s": dying[:partials], "decay_per_octave": PER_OCTAVE} if dying else {}
    )
    return play(
        events,
        FRAMES,
        settings=Settings.model_validate(
            {
                "polyphony": 64,
                "sound": {"name": "x"},
                "vibrato": {"rate_hz": 6.0, "depth_cents": 50.0},
            }
        ),
        sounds={
            "x": sound([0.0] * partials, trim_db=-60.0, envelope=HELD, stretch=stretch, **decays)
        },
        block_frames=block_frames,
    )


def turned(cents: float, at: int = BENT) -> Wave:
    """Return the integral of the frequency ratio in vibrato, bent by so much from a frame on.

    At frame 0 nothing sounds that would have to glide.
    """
    grid = np.arange(0, FRAMES + CONTROL_PERIOD, CONTROL_PERIOD)
    swing = 50.0 * np.sin(2 * np.pi * 6.0 * grid / RATE)
    coefficient = 1.0 - exp(-CONTROL_PERIOD / (SMOOTHING_S * RATE))
    value = 0.0 if at else cents
    bent = [value]
    for point in grid[:-1]:
        distance = (cents if point >= at else 0.0) - value
        value += distance if abs(distance) < 1e-3 else distance * coefficient
        bent.append(value)
    ratios = np.exp2((swing + np.array(bent)) / 1200)
    begin, slope = ratios[:-1, None], np.diff(ratios)[:, None] / CONTROL_PERIOD
    inside = np.arange(CONTROL_PERIOD)
    before = np.cumsum(CONTROL_PERIOD * (ratios[1:] + ratios[:-1]) / 2)
    before = np.concatenate([[0.0], before[:-1]])[:, None]
    return np.asarray((before + begin * inside + slope * inside**2 / 2).reshape(-1))


def chord(
    keys: Iterable[int],
    partials: int,
    time: Wave,
    *,
    dying: Sequence[float] = (),
    stretch: float = STRETCH,
) -> Wave:
    """Return what keys sound like along a time; what dies away does so as time goes by."""
    wave = np.zeros(FRAMES)
    for key in keys:
        cycles = 440.0 * 2 ** ((key - 69) / 12) / RATE * time
        for number in range(1, partials + 1):
            ratio = number * sqrt((1 + stretch * number**2) / (1 + stretch))
            partial = np.sin(2 * np.pi * (ratio * cycles % 1.0))
            if dying:
                lasts_s = dying[number - 1] * PER_OCTAVE ** ((key - 60) / 12)
                partial *= np.exp(np.arange(FRAMES) * (-log(1000.0) / (lasts_s * RATE)))
            wave += partial
    level = 10 ** (-60 / 20) * velocity_gain(127, 24.0) * controller_gain(100) * pan_gains(64)[0]
    return wave * level


def error_db(
    events: list[Event], block_frames: int, partials: int, wanted: Wave, stretch: float = STRETCH
) -> float:
    # In the first block of the longest it is as exact as any other motion, and no more.
    after = slice(2 * LONGEST_BLOCK, None)
    error = heard(events, block_frames, partials, stretch=stretch)[after, 0] - wanted[after]
    return db(float(np.abs(error).max() / np.abs(wanted[after]).max()))


@pytest.mark.parametrize("stretch", [STRETCH, 0.0], ids=["stiff", "harmonic"])
@pytest.mark.parametrize("block_frames", [32, 64, 256, 1024])
def test_a_chord_in_vibrato_that_is_bent_follows_its_pitch(
    block_frames: int, stretch: float
) -> None:
    """A harmonic one is read along its phase."""
    value = 3000
    events = [control(0, 1, 127), *(on(0, key) for key in KEYS), bend(BENT, value)]
    wanted = chord(KEYS, PARTIALS, turned(200.0 * value / 8192), stretch=stretch)
    assert error_db(events, block_frames, PARTIALS, wanted, stretch) < -105.0


@pytest.mark.parametrize(("lowest", "partials"), [(48, 28), (60, 26), (64, 26), (65, 26)])
def test_high_partials_follow_it_as_closely(lowest: int, partials: int) -> None:
    keys = range(lowest, lowest + 16)
    highest = partials * 440.0 * 2 ** ((keys[-1] - 69) / 12)
    assert kernels()[0].band < highest / RATE < kernels()[-1].band
    events = [control(0, 1, 127), *(on(0, key) for key in keys), bend(BENT, -3000)]
    wanted = chord(keys, partials, turned(200.0 * -3000 / 8192))
    assert error_db(events, 64, partials, wanted) < -105.0


def test_a_partial_that_is_bent_beyond_nyquist_is_silent_and_not_heard_as_its_alias() -> None:
    key, number = 80, 26
    at = number * 440.0 * 2 ** ((key - 69) / 12) / RATE
    assert at < kernels()[-1].band
    assert at * 2 ** (2 / 12) > 0.5
    levels = [*[-80.0] * (number - 1), 0.0]
    sounds = {"x": sound(levels, trim_db=-20.0, envelope=HELD)}
    settings = Settings.model_validate({"sound": {"name": "x"}})
    wave = play([on(0, key), bend(BENT, 8191)], FRAMES, settings=settings, sounds=sounds)
    before, after = wave[:BENT], wave[BENT + LONGEST_BLOCK :]
    assert db(peak(after) / peak(before)) < -50.0


def test_channels_that_move_each_follow_their_own_pitch() -> None:
    """More of them than are laid out together, of low keys and of high ones."""
    events, wanted = [], np.zeros(FRAMES)
    for channel in range(TOGETHER + 1):
        keys = range(36 + 5 * channel, 48 + 5 * channel)
        events += [control(0, 1, 127, channel), *(on(0, key, channel=channel) for key in keys)]
        events.append(bend(BENT, 1000 * channel, channel))
        wanted += chord(keys, PARTIALS, turned(200.0 * 1000 * channel / 8192))
    assert error_db(sorted(events, key=itemgetter(0)), 128, PARTIALS, wanted) < -105.0


@pytest.mark.parametrize("dying", [(), DECAYS_S], ids=["lasting", "dying away"])
@pytest.mark.parametrize("block_frames", [32, 64, 256])
def test_a_lively_chord_in_motion_does_not_depend_on_the_block(
    block_frames: int, *, dying: Sequence[float]
) -> None:
    """Keys, wheels and knobs, bends beyond what is read among them."""
    chance = Random(5)
    events = [control(0, 101, 0), control(0, 100, 0), control(0, 6, 7), control(0, 1, 90)]
    events += [on(0, key) for key in KEYS]
    for _ in range(60):
        frame, key = chance.randrange(FRAMES), chance.choice(KEYS)
        events += chance.choice(
            [
                [off(frame, key), on(frame + 700, key)],
                [bend(frame, chance.randrange(-4000, 4000))],
                [bend(frame, 8000), bend(frame + 900, 0)],
                [control(frame, 74, chance.randrange(128))],
                [control(frame, 1, chance.randrange(128))],
                [control(frame, 11, chance.randrange(60, 128))],
            ]
        )
    whole = heard(events, LONGEST_BLOCK, dying=dying)
    difference = heard(events, block_frames, dying=dying) - whole
    assert db(peak(difference) / peak(whole)) < -100.0


def each_block(wave: Wave) -> Wave:
    """Return the peak in each block of the longest but the first, as above."""
    return np.asarray(np.abs(wave).reshape(-1, LONGEST_BLOCK).max(1)[2:])


@pytest.mark.parametrize("block_frames", [32, 64, 256, 1024])
@pytest.mark.parametrize("value", [3000, -6000])
def test_a_chord_that_dies_away_is_as_loud_as_time_has_it(block_frames: int, value: int) -> None:
    """In every block, beside what is left of it."""
    events = [control(0, 1, 127), *(on(0, key) for key in KEYS), bend(BENT, value)]
    wanted = chord(KEYS, PARTIALS, turned(200.0 * value / 8192), dying=DECAYS_S)
    error = heard(events, block_frames, dying=DECAYS_S)[:, 0] - wanted
    assert db(float((each_block(error) / each_block(wanted)).max())) < -95.0


@pytest.mark.parametrize("block_frames", [64, 1024])
def test_what_dies_away_in_a_moment_is_as_loud_as_time_has_it(block_frames: int) -> None:
    """Noises of an onset do; in a long block they are read far from where they were drawn."""
    lasts_s, value = [0.06] * 8, 8191
    events = [control(0, 1, 127), bend(0, value), *(on(0, key) for key in KEYS)]
    wanted = chord(KEYS, 8, turned(200.0 * value / 8192, at=0), dying=lasts_s)
    error = heard(events, block_frames, 8, dying=lasts_s)[:, 0] - wanted
    assert db(float((each_block(error) / each_block(wanted))[:2].max())) < -75.0
