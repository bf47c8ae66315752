"""How many notes at once would have kept a stolen note: the answer is tried out."""

import random
from functools import cache

import numpy as np
import pytest

from config.settings import Settings
from voices.instrument import Instrument
from voices.notes.note_count import polyphony_needed

BLOCK = 64
Event = tuple[int, tuple[int, int, int]]


def random_play(seed: int) -> list[Event]:
    """Return keys struck and released, and a pedal, at random; at most one event a block."""
    chance = random.Random(seed)
    events: list[Event] = []
    down: list[int] = []
    for block in range(0, 400, 2):
        what = chance.random()
        if what < 0.5 or not down:
            key = chance.choice([key for key in range(40, 80) if key not in down])
            down.append(key)
            events.append((block, (0x90, key, 100)))
        elif what < 0.9:
            events.append((block, (0x80, down.pop(chance.randrange(len(down))), 0)))
        else:
            events.append((block, (0xB0, 64, chance.choice([0, 127]))))
    return events


def play(events: list[Event], polyphony: int, blocks: int = 402) -> Instrument:
    settings = Settings.model_validate({"polyphony": polyphony, "sound": {"name": "sine"}})
    instrument = Instrument(settings, sample_rate=48_000, block_frames=BLOCK)
    out = np.zeros((BLOCK, 2), np.float32)
    waiting = iter([*events, (blocks - 1, (0xB0, 7, 100))])
    block, message = next(waiting)
    for now in range(blocks):
        if now == block:
            instrument.take(message)
            block, message = next(waiting, (-1, message))
        instrument.render(out)
    return instrument


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_the_polyphony_named_keeps_the_note_and_one_less_does_not(seed: int) -> None:
    events = random_play(seed)
    played = cache(lambda polyphony: play(events, polyphony))
    few = played(3)
    stolen = [note for note in few.ledger.notes if note.account == "stolen"]
    assert stolen
    for note in stolen[::5]:
        enough = polyphony_needed(note, few.ledger.notes, few.frame)
        assert enough > 3
        for polyphony, is_stolen in ((enough, False), (enough - 1, True)):
            other = played(polyphony).ledger.notes[note.serial - 1]
            assert other.serial == note.serial
            assert (other.account == "stolen") is is_stolen


def test_a_note_that_has_come_and_gone_needs_its_voice_no_longer() -> None:
    keys = [(0, 60), (1, 61), (2, -61), (3, 62), (4, 63), (5, -63), (6, -62), (7, 64)]
    events: list[Event] = [(at, (0x90 if key > 0 else 0x80, abs(key), 100)) for at, key in keys]
    played = play(events, polyphony=8, blocks=10)
    first, second, *_ = played.ledger.notes
    # Held with the first at one time: the second alone, then the third and the fourth.
    assert polyphony_needed(first, played.ledger.notes, played.frame) == 3
    assert polyphony_needed(second, played.ledger.notes, played.frame) == 1


def test_a_note_whose_key_goes_in_the_frame_of_its_theft_needed_one_more_voice() -> None:
    events: list[Event] = [(0, (0x90, 60, 100)), (2, (0x90, 64, 100))]
    few = play(events, polyphony=2)
    few.take((0x90, 67, 100))
    few.take((0x80, 60, 0))
    first = few.ledger.notes[0]
    assert first.account == "stolen"
    assert polyphony_needed(first, few.ledger.notes, few.frame) == 3
