"""Chords: many notes that begin and end in one block sound as they do one by one."""

import numpy as np
import pytest

from config.sound import Sound
from tests.support.measure import db, peak
from tests.support.playing import RATE, Event, Recording, off, on, play, settings_for, sound

KEYS = range(60, 72)
SAME_DB = -115.0
PLAIN = sound([0.0, -6.0, -9.0, -12.0], envelope={"attack_s": 0.02, "release_s": 0.3})
STEEP = sound([0.0, -6.0], envelope={"attack_s": 0.001, "release_s": 0.02})
FALLING = sound(
    [0.0, -3.0], envelope={"attack_s": 0.004, "decay_s": 0.5, "sustain": 0.3, "release_s": 0.2}
)


def played(of: Sound, events: list[Event], frames: int = 64) -> Recording:
    settings = settings_for("one")
    return play(events, RATE // 2, settings=settings, sounds={"one": of}, block_frames=frames)


def strike_and_let_go(key: int, begin: int, end: int, velocity: int = 100) -> list[Event]:
    return [on(begin, key, velocity), off(end, key)]


@pytest.mark.parametrize("of", [PLAIN, STEEP, FALLING])
@pytest.mark.parametrize("end", [9600, 320 + 7, 64], ids=["held", "rising", "at once"])
def test_a_chord_sounds_as_its_notes_do_one_by_one(of: Sound, end: int) -> None:
    notes = [
        strike_and_let_go(key, 64 + n % 5 * 3, end + 40 + n, 40 + 5 * (n % 3))
        for n, key in enumerate(KEYS)
    ]
    events = sorted((event for note in notes for event in note), key=lambda event: event[0])
    together = played(of, events)
    apart = np.sum([played(of, note) for note in notes], axis=0)
    assert db(peak(together - apart) / peak(apart)) < SAME_DB


def test_keys_let_go_at_different_speeds_in_one_block_end_as_they_do_one_by_one() -> None:
    speeds = zip(KEYS, range(1, 127, 10), strict=False)
    ends = [(on(64, key), off(9600 + speed, key, velocity=speed)) for key, speed in speeds]
    events = sorted((event for note in ends for event in note), key=lambda event: event[0])
    together = played(PLAIN, events)
    apart = np.sum([played(PLAIN, list(note)) for note in ends], axis=0)
    assert db(peak(together - apart) / peak(apart)) < SAME_DB


def test_a_note_that_begins_while_a_chord_rises_and_one_that_ends_are_as_ever() -> None:
    notes = [strike_and_let_go(key, 10 * n, 30_000) for n, key in enumerate(KEYS)]
    notes += [strike_and_let_go(40, 200, 330), strike_and_let_go(43, 4000, 4010)]
    events = sorted((event for note in notes for event in note), key=lambda event: event[0])
    small, large = (played(PLAIN, events, frames) for frames in (64, 512))
    apart = np.sum([played(PLAIN, note) for note in notes], axis=0)
    assert db(peak(small - large) / peak(apart)) < SAME_DB
    assert db(peak(small - apart) / peak(apart)) < SAME_DB
