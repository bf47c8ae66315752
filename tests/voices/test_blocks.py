import mido
import numpy as np
import pytest

from tests.support.measure import db, peak
from tests.support.playing import (
    RATE,
    Event,
    Recording,
    on,
    play,
    settings_for,
)
from tests.support.random_play import SOUNDS, random_play

WHOLE = 1024
"""The largest block: every smaller one divides it."""
SMALLER = (32, 64, 128, 256, 512)
SAME_DB = -100.0


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


def compare_cuts(case: str, seconds: float, *smaller: int) -> None:
    frames = round(seconds * RATE) // WHOLE * WHOLE
    events = random_play(list(CASES).index(case), seconds, *CASES[case])
    whole = cut_into(WHOLE, events, frames)
    assert peak(whole) < 10 ** (-1 / 20)
    for block_frames in smaller:
        cut = cut_into(block_frames, events, frames)
        difference = db(peak(cut - whole) / peak(whole))
        assert difference < SAME_DB, f"{block_frames} frames: {difference:.1f} dB"


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_the_sound_does_not_depend_on_how_it_is_cut_into_blocks(case: str) -> None:
    compare_cuts(case, 3.0, *SMALLER)


def test_a_second_of_everything_is_the_same_in_blocks_of_64() -> None:
    compare_cuts("with everything", 1.0, 64)


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
