"""Which note gives way: the instrument against a ten-line model, under random play."""

import random

import numpy as np
import pytest

from config.settings import Settings
from tests.support.measure import partial_level
from tests.support.playing import RATE, Event, control, off, on, perform, sound
from voices.instrument import Instrument
from voices.notes.allocator import Allocator
from voices.notes.note_count import ACCOUNTS

BLOCK = 64
LONG = sound([0.0], envelope={"attack_s": 0.001, "release_s": 600.0})
"""Tails outlast the play: so the model needs no sound."""


class Model:
    """Oldest-note stealing in ten lines: released first, then held; earliest struck first."""

    def __init__(self, polyphony: int) -> None:
        self.polyphony = polyphony
        self.voices: list[list[object]] = []  # key, released
        self.stolen: list[int] = []

    def enter(self, key: int) -> None:
        self.voices = [voice for voice in self.voices if voice[0] != key]
        while len(self.voices) >= self.polyphony:
            victim = next((v for v in self.voices if v[1]), self.voices[0])
            if not victim[1]:
                self.stolen.append(int(str(victim[0])))
            self.voices.remove(victim)
        self.voices.append([key, False])

    def release(self, key: int) -> None:
        for voice in self.voices:
            if voice[0] == key:
                voice[1] = True


def instrument_of(polyphony: int) -> Instrument:
    settings = Settings.model_validate({"polyphony": polyphony, "sound": {"name": "x"}})
    return Instrument(settings, sample_rate=RATE, block_frames=BLOCK, sounds={"x": LONG})


@pytest.mark.slow
@pytest.mark.parametrize("polyphony", [1, 2, 5, 16])
def test_notes_are_stolen_in_the_order_of_the_model(polyphony: int) -> None:
    chance = random.Random(polyphony)
    instrument, model = instrument_of(polyphony), Model(polyphony)
    out = np.zeros((BLOCK, 2), np.float32)
    down: set[int] = set()
    struck: dict[int, int] = {}
    for block in range(3_000):
        for frame in sorted(chance.randrange(BLOCK) for _ in range(chance.randrange(3))):
            if down and chance.random() < 0.4:
                key = chance.choice(sorted(down))
                down.remove(key)
                instrument.take((0x80, key, 0), frame)
                model.release(key)
            else:
                key = chance.randrange(30, 90)
                down.add(key)
                instrument.take((0x90, key, 100), frame)
                model.enter(key)
                struck[instrument.ledger.received] = key
        instrument.render(out)
        accounts = instrument.ledger.accounts()
        assert sum(accounts.values()) == instrument.ledger.received
        assert accounts["sounding"] == sum(not released for _, released in model.voices)
        assert accounts["stolen"] == len(model.stolen)
        if block % 20 == 0:  # far more notes are remembered than are stolen in between
            latest = [note.key for note in instrument.ledger.notes if note.account == "stolen"]
            assert sorted(latest) == sorted(model.stolen[len(model.stolen) - len(latest) :])
    assert set(instrument.ledger.accounts()) == set(ACCOUNTS)


class Held:
    def __init__(self, key: int, *, released: bool = False) -> None:
        self.address = (0, 0, key)
        self.released = released


def test_a_full_allocator_gives_the_oldest_voice_back() -> None:
    allocator: Allocator[Held] = Allocator(3)
    first, second, third = (Held(key) for key in (60, 62, 64))
    for voice in (first, second, third):
        allocator.enter(voice)
    assert list(allocator.surplus(coming=1)) == [first]
    assert list(allocator.values()) == [second, third]


def test_a_released_voice_gives_way_before_an_older_one_that_is_held() -> None:
    allocator: Allocator[Held] = Allocator(3)
    for voice in (Held(60), Held(62, released=True), Held(64, released=True)):
        allocator.enter(voice)
    assert allocator.victim().address[2] == 62


def test_a_note_held_by_the_pedal_counts_as_held() -> None:
    instrument = instrument_of(2)
    instrument.take((0xB0, 64, 127))
    instrument.take((0x90, 60, 100))
    instrument.take((0x80, 60, 0))
    instrument.take((0x90, 62, 100))
    instrument.take((0x90, 64, 100))
    assert instrument.ledger.accounts()["stolen"] == 1
    assert instrument.ledger.notes[0].account == "stolen"


def test_a_repeated_note_on_takes_the_place_of_its_own_voice() -> None:
    instrument = instrument_of(2)
    for key in (60, 64, 60):
        instrument.take((0x90, key, 100))
    accounts = instrument.ledger.accounts()
    assert (accounts["retriggered"], accounts["stolen"], accounts["sounding"]) == (1, 0, 2)


def test_the_same_key_on_another_channel_or_controller_is_another_note() -> None:
    instrument = instrument_of(8)
    instrument.take((0x90, 60, 100))
    instrument.take((0x91, 60, 100))
    instrument.take((0x90, 60, 100), controller=1)
    assert instrument.ledger.accounts()["sounding"] == 3
    instrument.release_controller(1)
    accounts = instrument.ledger.accounts()
    assert (accounts["sounding"], accounts["cut"]) == (2, 1)


def test_lower_polyphony_takes_the_oldest_at_once_and_higher_takes_none() -> None:
    instrument = instrument_of(6)
    for key in range(60, 66):
        instrument.take((0x90, key, 100))
    lower = instrument.settings.model_copy(update={"polyphony": 4})
    instrument.apply(lower)
    assert instrument.ledger.accounts()["stolen"] == 2
    assert [note.key for note in instrument.ledger.notes if note.account == "stolen"] == [60, 61]
    instrument.apply(lower.model_copy(update={"polyphony": 9}))
    assert instrument.ledger.accounts()["sounding"] == 4


def test_a_note_at_volume_zero_is_booked_as_that_unless_it_swells() -> None:
    instrument = instrument_of(8)
    out = np.zeros((BLOCK, 2), np.float32)
    instrument.take((0xB0, 11, 0))
    instrument.take((0x90, 60, 100))
    instrument.take((0x90, 62, 100))
    instrument.render(out)
    instrument.take((0x80, 60, 0))
    instrument.take((0xB0, 11, 90))
    instrument.take((0x80, 62, 0))
    accounts = instrument.ledger.accounts()
    assert (accounts["inaudible at volume 0"], accounts["released"]) == (1, 1)


def test_notes_that_cannot_sound_are_refused_with_the_reason() -> None:
    settings = Settings.model_validate(
        {"controller": {"channels": [1, 3]}, "sound": {"name": "high"}}
    )
    high = sound([0.0], ratio=[4.0])
    instrument = Instrument(settings, sample_rate=RATE, block_frames=BLOCK, sounds={"high": high})
    for channel in range(4):
        instrument.take((0x90 | channel, 60, 100))
    instrument.take((0x90, 127, 100))  # four times 12.5 kHz
    accounts = instrument.ledger.accounts()
    assert accounts["channel not listened to"] == 2
    assert accounts["above half the sample rate"] == 1
    assert accounts["sounding"] == 2
    assert instrument.ledger.received == 5


KEYS = tuple(range(60, 100, 4))
"""Far enough apart to be distinguished in a fifth of a second."""


class PedalModel:
    """The same order in ten lines, with a pedal: whose keys sound, oldest first."""

    def __init__(self, polyphony: int) -> None:
        self.polyphony, self.pedal = polyphony, False
        self.notes: dict[int, str] = {}  # key: "down", "pedal" or "released"

    def enter(self, key: int) -> None:
        self.notes.pop(key, None)
        if len(self.notes) == self.polyphony:
            released = (each for each, state in self.notes.items() if state == "released")
            del self.notes[next(released, next(iter(self.notes)))]
        self.notes[key] = "down"

    def release(self, key: int) -> None:
        if self.notes.get(key) == "down":
            self.notes[key] = "pedal" if self.pedal else "released"

    def step_on(self, down: bool) -> None:
        self.pedal = down
        if not down:
            self.notes = {k: "released" if s == "pedal" else s for k, s in self.notes.items()}


@pytest.mark.parametrize("polyphony", [1, 3, 6])
def test_the_keys_that_are_heard_are_those_the_model_has_left(polyphony: int) -> None:
    chance = random.Random(40 + polyphony)
    instrument, model = instrument_of(polyphony), PedalModel(polyphony)
    for _ in range(60):
        events: list[Event] = []
        for frame in range(0, 4 * BLOCK, BLOCK // 2):
            key = chance.choice(KEYS)
            match chance.randrange(5):
                case 0 | 1:
                    events.append(on(frame, key))
                    model.enter(key)
                case 2 | 3:
                    events.append(off(frame, key))
                    model.release(key)
                case _:
                    down = chance.random() < 0.5
                    events.append(control(frame, 64, 127 if down else 0))
                    model.step_on(down)
        audio = perform(instrument, BLOCK, events, RATE // 4)[RATE // 20 :, 0]
        levels = {key: partial_level(audio, RATE, 440.0 * 2 ** ((key - 69) / 12)) for key in KEYS}
        loudest = max(levels.values())
        assert loudest > 1e-4 or not model.notes
        heard = {key for key, level in levels.items() if level > 0.1 * max(loudest, 1e-4)}
        assert heard == set(model.notes)
        assert instrument.sounding == len(model.notes)
