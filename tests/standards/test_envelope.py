"""Envelopes are read from two renderings of one note, a quarter of a cycle apart.

A sine and a cosine with the same envelope E give E = √(sine² + cosine²) at every frame, without
any filter.
"""

from math import pi

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support.measure import band_energy, db, partial_level, slope_db_s, t60
from tests.support.playing import (
    RATE,
    Event,
    control,
    off,
    on,
    play,
    settings_for,
    sound,
)
from voices.notes.voice_pool import FADE_S

B5 = 83
EXACT_KHZ = 1000.0 / 2.0 ** ((B5 - 69) / 12)
"""The A4 that puts key 83 at 1 kHz: 48 frames a period."""
KHZ = {"a4_hz": EXACT_KHZ}

Levels = NDArray[np.float64]


def magnitude(events: list[Event], frames: int, block_frames: int = 256, **shape: object) -> Levels:
    """Return the magnitude of a one-partial sound, frame by frame."""
    sides = []
    for phase in (0.0, 0.25):
        one = sound([0.0], trim_db=0.0, phase=[phase], **shape)  # type: ignore[arg-type]
        audio = play(
            events,
            frames,
            settings=settings_for("one", tuning=KHZ),
            sounds={"one": one},
            block_frames=block_frames,
        )
        sides.append(audio[:, 0].astype(np.float64))
    return np.asarray(np.hypot(*sides), np.float64)


def level_of(
    events: list[Event],
    seconds: float,
    *,
    own_decay_s: float | None = None,
    block_frames: int = 256,
    **envelope: float,
) -> Levels:
    """Return the level of a note frame by frame, relative to that of a full note."""
    full = magnitude([on(0, B5)], 9600)[-1]
    own = {} if own_decay_s is None else {"decay_s": own_decay_s}
    shape = {"envelope": envelope, **own}
    levels: Levels = magnitude(events, round(seconds * RATE), block_frames, **shape) / full
    return levels


# T60 of a release: -60/T dB/s, whatever the stage the key is let go in.
@pytest.mark.parametrize("release_s", [0.05, 0.1, 0.5, 2.0])
def test_a_release_falls_by_60_db_in_its_time(release_s: float) -> None:
    levels = level_of([on(0, B5), off(12_345, B5)], 0.3 + 1.3 * release_s, release_s=release_s)
    assert t60(levels[12_346:], RATE) == pytest.approx(release_s, rel=0.01)


@pytest.mark.parametrize("let_go_at", [0.05, 0.2, 0.35])
def test_a_release_in_the_attack_has_the_same_slope(let_go_at: float) -> None:
    frame = round(let_go_at * RATE)
    levels = level_of([on(0, B5), off(frame, B5)], 1.2, attack_s=0.4, release_s=0.6)
    # It starts from where the attack was.
    attack = 0.5 - 0.5 * np.cos(pi * let_go_at / 0.4)
    assert levels[frame] == pytest.approx(attack, abs=1e-4)
    assert t60(levels[frame + 1 :], RATE) == pytest.approx(0.6, rel=0.01)


@pytest.mark.parametrize("let_go_at", [0.03, 0.1, 0.5])
@pytest.mark.parametrize("sustain", [0.0, 0.3])
def test_a_release_in_the_decay_has_the_same_slope(let_go_at: float, sustain: float) -> None:
    frame = round(let_go_at * RATE)
    levels = level_of(
        [on(0, B5), off(frame, B5)],
        1.4,
        attack_s=0.01,
        decay_s=1.0,
        sustain=sustain,
        release_s=0.5,
    )
    assert t60(levels[frame + 1 :], RATE) == pytest.approx(0.5, rel=0.01)


@pytest.mark.parametrize("let_go_at", [0, 1, 77, 480, 2400, 9600, 14_400, 20_000, 30_000, 60_001])
@pytest.mark.parametrize("own_decay", [None, 2.0])
def test_the_level_never_rises_after_key_up(let_go_at: int, own_decay: float | None) -> None:
    levels = level_of(
        [on(0, B5), off(let_go_at, B5)],
        2.0,
        own_decay_s=own_decay,
        attack_s=0.3,
        sustain=0.6,
        release_s=0.7,
    )
    after = levels[let_go_at:]
    # Single precision wobbles by parts in ten million.
    assert (after - np.minimum.accumulate(after)).max() < 2e-6


# The raised cosine (1 - cos(πt/T))/2, to -80 dB.
@pytest.mark.parametrize("attack_s", [0.001, 0.005, 0.05, 0.7])
@pytest.mark.parametrize("at", [0, 31, 200])
def test_an_attack_is_the_raised_cosine(attack_s: float, at: int) -> None:
    levels = level_of([on(at, B5)], attack_s + 0.1, attack_s=attack_s)
    seconds = np.maximum(np.arange(len(levels)) - at, 0) / RATE
    closed = 0.5 - 0.5 * np.cos(pi * np.minimum(seconds / attack_s, 1.0))
    assert np.abs(levels - closed).max() < 1e-4


# An exponential approach to the sustain level with the T60 of the decay, to -80 dB.
@pytest.mark.parametrize("decay_s", [0.05, 1.5])
@pytest.mark.parametrize("sustain", [0.0, 0.4, 0.9])
def test_a_decay_approaches_the_sustain_level(decay_s: float, sustain: float) -> None:
    levels = level_of([on(0, B5)], 1.2, attack_s=0.01, decay_s=decay_s, sustain=sustain)
    seconds = (np.arange(480, len(levels)) - 480) / RATE
    closed = sustain + (1.0 - sustain) * 1000.0 ** (-seconds / decay_s)
    assert np.abs(levels[480:] - closed).max() < 1e-4


# T60 = 1 s at 48 kHz: 0.9998560988 a frame; after half the time -30 dB (computed).
def test_half_the_time_of_a_release_is_30_db() -> None:
    levels = level_of([on(0, B5), off(9600, B5)], 1.0, release_s=1.0)
    assert db(levels[9600 + 24_000] / levels[9600]) == pytest.approx(-30.0, abs=0.01)
    assert levels[20_001] / levels[20_000] == pytest.approx(0.9998560988, abs=2e-6)


def test_a_held_pedal_holds_and_its_release_falls_from_there() -> None:
    events = [control(0, 64, 127), on(0, B5), off(4800, B5), control(24_000, 64, 0)]
    levels = level_of(events, 1.2, release_s=0.4)
    assert levels[4800:24_000].min() > 0.9999
    assert t60(levels[24_001:], RATE) == pytest.approx(0.4, rel=0.01)


def test_a_held_note_stays_where_it_is() -> None:
    levels = level_of([on(0, B5)], 4.0)
    assert np.abs(levels[2400:] - 1.0).max() < 1e-6


# A sounding note's own partial decays: T60 at C4, times decay_per_octave for every octave above.
@pytest.mark.parametrize(("key", "factor"), [(60, 1.0), (72, 0.5), (48, 2.0), (66, 0.5**0.5)])
def test_partials_decay_by_themselves_and_faster_in_the_treble(key: int, factor: float) -> None:
    decays = [0.8, 0.3]
    shape = sound([0.0, 0.0], ratio=[1.0, 2.5], decay_s=decays, decay_per_octave=0.5)
    audio = play([on(0, key)], 2 * RATE, settings=settings_for("shape"), sounds={"shape": shape})[
        :, 0
    ]
    hertz = 440.0 * 2.0 ** ((key - 69) / 12)
    window, step = 4800, 480
    for ratio, decay_s in zip((1.0, 2.5), decays, strict=True):
        levels = np.array(
            [
                partial_level(audio[begin : begin + window], RATE, hertz * ratio)
                for begin in range(480, 2 * RATE - window, step)
            ]
        )
        slope = slope_db_s(levels, RATE / step, -3.0, -25.0)
        assert -60.0 / slope == pytest.approx(decay_s * factor, rel=0.01)


def test_a_fast_decay_on_any_frame_of_a_long_block_is_finite_and_falls() -> None:
    for at in (0, 1, 511, 1023):
        levels = level_of([on(at, B5)], 0.2, own_decay_s=0.02, block_frames=1024)
        assert np.isfinite(levels).all()
        frames = np.arange(240)
        closed = (0.5 - 0.5 * np.cos(pi * frames / 240)) * 1000.0 ** (-frames / 960)
        assert levels.max() == pytest.approx(closed.max(), abs=1e-4)
        fallen = levels[at + 480 : at + 1200]
        assert t60(fallen, RATE, -1.0, -40.0) == pytest.approx(0.02, rel=0.01)


# Once a voice is inaudible it has to end: at about -100 dB, and then there is nothing at all.
def test_a_released_note_ends_in_silence() -> None:
    levels = level_of([on(0, B5), off(4800, B5)], 1.0, release_s=0.3)
    assert levels[-4800:].max() == 0.0
    # Not cut off while it can still be heard.
    last = int(np.flatnonzero(levels)[-1])
    assert db(levels[last - 48]) < -85.0


# Computed: switching off 1 kHz at its peak along a 2 ms raised cosine puts -98.4 dB of the energy
# of half a second above 4 kHz; a hard cut -42.6 dB, 1 ms -86.1 dB.
SOFT = {"attack_s": 0.05, "release_s": 0.02}
CLICK_DB = -98.4
# The same for a straight ramp of 10 ms: where the slope, not the level, jumps.
LINEAR_DB = -90.9


def click_db(events: list[Event], *, phase: float = 0.25, polyphony: int = 1) -> float:
    """Return the energy above 4 kHz, relative to a half-second tone of full level, in dB."""
    one = sound([0.0], phase=[phase], envelope=SOFT, velocity={"range_db": 60.0})
    settings = settings_for("one", tuning=KHZ, polyphony=polyphony)
    audio = play(events, RATE, settings=settings, sounds={"one": one})[:, 0].astype(np.float64)
    tone = play([on(0, B5)], RATE, settings=settings, sounds={"one": one})[RATE // 2 :, 0]
    above = band_energy(audio, RATE, 4000.0, RATE) * np.square(audio).sum()
    return float(10 * np.log10(above / np.square(tone, dtype=np.float64).sum()))


@pytest.mark.parametrize("quarter", [0, 12, 24])
def test_a_stolen_note_ends_without_a_click(quarter: int) -> None:
    # The thief is 60 dB softer, and has gone by the end.
    stolen = [
        on(0, B5),
        on(24_000 + quarter, B5 - 12, velocity=1),
        off(30_000, B5 - 12),
    ]
    assert click_db(stolen) < CLICK_DB


@pytest.mark.parametrize("quarter", [0, 12, 24])
def test_a_key_struck_again_ends_its_note_without_a_click(quarter: int) -> None:
    again = [on(0, B5), on(24_000 + quarter, B5, velocity=1), off(30_000, B5)]
    assert click_db(again, polyphony=4) < CLICK_DB


# MIDI 1.0 p. 25, GM2 §3.5.1: All Sound Off is as fast as possible without a click.
@pytest.mark.parametrize("quarter", [0, 12, 24])
def test_all_sound_off_is_fast_and_has_no_click(quarter: int) -> None:
    cut = [on(0, B5), control(24_000 + quarter, 120, 0)]
    assert click_db(cut) < CLICK_DB
    levels = level_of(cut, 1.0)
    # 2 to 5 ms.
    assert levels[24_000 + quarter + 250 :].max() == 0.0


# (1 + cos(πt/T))/2, to -80 dB: what is heard of both notes less what is heard of the thief alone.
@pytest.mark.parametrize("at", [24_000, 24_031, 24_255])
@pytest.mark.parametrize("block_frames", [64, 1024])
def test_a_stolen_note_fades_along_a_raised_cosine(at: int, block_frames: int) -> None:
    sides = []
    for phase in (0.0, 0.25):
        one = sound([0.0], trim_db=0.0, phase=[phase], envelope={"attack_s": 0.001})
        settings = settings_for("one", tuning=KHZ, polyphony=1)
        both, alone = (
            play(events, 28_800, settings=settings, sounds={"one": one}, block_frames=block_frames)[
                :, 0
            ].astype(np.float64)
            for events in ([on(0, B5), on(at, B5 - 12)], [on(at, B5 - 12)])
        )
        sides.append(both - alone)
    levels = np.hypot(*sides)
    part = np.clip((np.arange(len(levels)) - at) / (FADE_S * RATE), 0.0, 1.0)
    closed = levels[at - 1] * (0.5 + 0.5 * np.cos(pi * part))
    assert np.abs(levels[4800:] - closed[4800:]).max() < 1e-4 * levels[at - 1]
    assert 0.002 <= FADE_S <= 0.005


def test_a_stolen_attack_ends_without_a_click() -> None:
    assert click_db([on(0, B5), on(1200, B5 - 12, velocity=1), off(30_000, B5 - 12)]) < LINEAR_DB


def test_a_volume_swept_under_a_note_has_no_zipper() -> None:
    sweep: list[Event] = [control(12_000 + 100 * step, 7, 127 - step) for step in range(128)]
    assert click_db([control(0, 7, 127), on(0, B5), *sweep]) < LINEAR_DB
