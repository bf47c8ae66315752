from random import Random

import mido
import numpy as np
import pytest

from tests.support.measure import db, peak
from tests.support.playing import (
    RATE,
    Event,
    Recording,
    bend,
    control,
    off,
    on,
    play,
    program,
    settings_for,
)

WHOLE = 1024
"""The largest block: every smaller one divides it."""
SMALLER = (32, 64, 128, 256, 512)
SAME_DB = -100.0
EVENTS_PER_S = 24
SOUNDS = ("market-organ", "plucked-string", "flat64", "bowed-string", "tower-bell", "sine")


def random_play(seed: int, seconds: float, *kinds: str) -> list[Event]:
    """Return random messages of these kinds on random frames of three channels."""
    chance = Random(seed)
    frames = round(seconds * RATE)
    events: list[Event] = []
    # Wide enough a bend to hear any mistake in it.
    for channel in range(3):
        events += [control(0, 101, 0, channel), control(0, 100, 0, channel)]
        events += [control(0, 6, chance.choice((2, 12)), channel)]
    for _ in range(round(EVENTS_PER_S * seconds)):
        frame, channel = chance.randrange(frames), chance.randrange(3)
        match chance.choice(kinds):
            case "note":
                key = chance.randrange(36, 97)
                velocity = chance.randrange(1, 128)
                until = frame + chance.choice((1, 50, 2_000, 20_000, 60_000))
                events += [on(frame, key, velocity, channel), off(until, key, channel)]
            case "bend":
                events += [
                    bend(frame + 300 * step, chance.randrange(-8192, 8192), channel)
                    for step in range(chance.randrange(1, 10))
                ]
            case "vibrato":
                events.append(control(frame, 1, chance.randrange(128), channel))
            case "volume":
                events.append(control(frame, chance.choice((7, 11)), chance.randrange(99), channel))
            case "pan":
                events.append(control(frame, 10, chance.randrange(128), channel))
            case "pedal":
                events += [control(frame, 64, 127, channel), control(frame + 9_000, 64, 0, channel)]
            case "program":
                events.append(program(frame, chance.randrange(len(SOUNDS)), channel))
            case "knob":
                events.append(
                    control(frame, chance.choice((72, 74)), chance.randrange(128), channel)
                )
            case "mode":
                events.append(control(frame, chance.choice((120, 121, 123)), 0, channel))
    return events


ALL_KINDS = ("note",) * 6 + ("bend", "vibrato", "volume", "pan", "pedal", "program", "knob", "mode")
CASES = {
    "notes alone": ("note",),
    "with bends": ("note", "bend"),
    "with vibrato": ("note", "vibrato"),
    "with volume": ("note", "volume"),
    "with pan": ("note", "pan"),
    "with the pedal": ("note", "pedal"),
    "with other sounds": ("note", "program"),
    "with bound knobs": ("note", "knob"),
    "with mode messages": ("note", "note", "mode"),
    "with everything": ALL_KINDS,
    "with everything, again": ALL_KINDS,
}


def cut_into(block_frames: int, events: list[Event], frames: int, **settings: object) -> Recording:
    return play(
        events,
        frames,
        # Quiet enough to stay below the ceiling, whose own cells are another test's matter.
        settings=settings_for(*SOUNDS, level={"volume_db": -12.0}, polyphony=6, **settings),
        block_frames=block_frames,
    )


@pytest.mark.parametrize("case", CASES)
def test_the_sound_does_not_depend_on_how_it_is_cut_into_blocks(case: str) -> None:
    frames = 3 * RATE // WHOLE * WHOLE
    events = random_play(list(CASES).index(case), 3.0, *CASES[case])
    whole = cut_into(WHOLE, events, frames)
    assert peak(whole) < 10 ** (-1 / 20)
    for block_frames in SMALLER:
        cut = cut_into(block_frames, events, frames)
        difference = db(peak(cut - whole) / peak(whole))
        assert difference < SAME_DB, f"{block_frames} frames: {difference:.1f} dB"


def test_an_onset_is_on_its_frame_whatever_the_block() -> None:
    for block_frames in (32, 128, 1024):
        for frame in (0, 1, 31, 32, 777, 1023, 1024, 5000):
            audio = cut_into(block_frames, [on(frame, 69)], 8192)
            assert not audio[: frame + 1].any()
            assert audio[frame + 1 : frame + 4].any()


def test_under_the_ceiling_too_the_sound_does_not_depend_on_the_block() -> None:
    chord = [on(480 + 7 * key, key) for key in range(40, 80, 2)]
    level = {"volume_db": 12.0}
    takes = [
        play(
            chord,
            RATE // WHOLE * WHOLE,
            settings=settings_for("market-organ", polyphony=32, level=level),
            block_frames=block_frames,
        )
        for block_frames in (WHOLE, 64)
    ]
    assert peak(takes[0]) > 0.85
    assert db(peak(takes[0] - takes[1]) / peak(takes[0])) < SAME_DB


def test_the_same_play_twice_is_the_same_to_the_bit() -> None:
    events = random_play(99, 1.5, *ALL_KINDS)
    first, second = (cut_into(128, events, 3 * RATE // 2) for _ in range(2))
    assert np.array_equal(first, second)


def test_two_blocks_of_silence_are_silent() -> None:
    assert not play([], 2048).any()
    assert not play([(0, mido.Message("note_on", note=60, velocity=0))], 2048).any()
