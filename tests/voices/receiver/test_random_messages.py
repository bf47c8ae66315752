"""Random valid messages: no exception, no NaN, nothing above the ceiling, every note booked."""

import random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.settings import Settings
from tests.support.fuzz_messages import BLOCK, RATE, VARIANTS, fuzz, silence
from tests.support.playing import Recording
from tests.support.random_messages import random_message
from tests.support.receiver_player import Player
from voices.instrument import Instrument


@pytest.mark.slow
@pytest.mark.parametrize("variant", VARIANTS)
def test_random_messages_break_no_law(variant: str) -> None:
    """`make fuzz` plays a million."""
    instrument = fuzz(VARIANTS[variant], 600, seed=7)
    assert instrument.ledger.received > 60


def heard_in_blocks(seed: int, block: int) -> Recording:
    """Return what a storm of messages sounds like, each at its own frame; one controller pauses."""
    chance = random.Random(seed)
    chosen = Settings.model_validate({"polyphony": 8, "bindings": []})
    instrument = Instrument(chosen, sample_rate=RATE, block_frames=block)
    storm, frame = [(0, b"\xfe", 0)], 0
    for _ in range(120):
        message = random_message(chance, channels=2)
        frame += chance.choice((0, 7, 64, 333, 900))
        controller = int(4_000 < frame < 23_000 or chance.random() < 0.3)
        storm.append((frame, message, controller))
    recording = np.zeros(((frame // 1024 + 2) * 1024, 2), np.float32)
    for start in range(0, len(recording), block):
        while storm and storm[0][0] < start + block:
            at, message, controller = storm.pop(0)
            instrument.take(message, at - start, controller)
        instrument.render(recording[start : start + block])
    return recording


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 11, 13, 36])
def test_a_storm_of_messages_sounds_alike_however_it_is_cut(seed: int) -> None:
    fine, coarse = heard_in_blocks(seed, 64), heard_in_blocks(seed, 512)
    assert np.abs(fine).max() > 0.001
    assert np.abs(fine - coarse).max() < 1e-5 * np.abs(fine).max()


SETTINGS = Settings(polyphony=4, bindings=[])
INSTRUMENT = Instrument(SETTINGS, sample_rate=RATE, block_frames=BLOCK)


@pytest.mark.slow
@settings(max_examples=30, suppress_health_check=list(HealthCheck))
@given(st.lists(st.integers(0, 2**32), min_size=1, max_size=30))
def test_no_short_sequence_breaks_a_law(seeds: list[int]) -> None:
    """Hypothesis shortens what breaks one: each number is one message and its frame."""
    out = np.zeros((BLOCK, 2), np.float32)
    INSTRUMENT.take(b"\xff")
    INSTRUMENT.take(b"\xff", controller=1)
    for seed in seeds:
        chance = random.Random(seed)
        INSTRUMENT.take(random_message(chance, channels=3), 0, chance.randrange(2))
        INSTRUMENT.render(out)
        assert np.isfinite(out).all()
        assert sum(INSTRUMENT.ledger.accounts().values()) == INSTRUMENT.ledger.received
    silence(INSTRUMENT, SETTINGS, out)


@pytest.mark.slow
def test_a_quiet_receiver_has_no_independent_voice_and_nothing_moves() -> None:
    """What moved apart gives its row back; else every block would cost more."""
    instrument = fuzz(VARIANTS["as usual"], 1000, seed=3)
    out = np.zeros((BLOCK, 2), np.float32)
    for controller in range(2):
        instrument.take(b"\xff", 0, controller)
    for _ in range(10):
        instrument.render(out)
    assert not instrument.moving


def test_a_note_that_moved_alone_leaves_nothing_moving() -> None:
    """Its row would keep its vibrato, and every block would cost more."""
    player = Player(pressure={"key": "level"}).control(1, 127)
    player.send("90 45 7F", "A0 45 40").wait(0.1).send("80 45 40").wait(0.4).control(1, 0)
    player.send("91 45 7F").wait(0.5)
    assert not player.instrument.moving
