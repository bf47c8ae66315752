"""Random valid messages: no exception, no NaN, nothing above the ceiling, every note booked."""

import random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.settings import Settings
from tests.fuzz_messages import BLOCK, RATE, VARIANTS, fuzz, silence
from tests.random_messages import random_message
from voices.instrument import Instrument


@pytest.mark.parametrize("variant", VARIANTS)
def test_random_messages_break_no_law(variant: str) -> None:
    """`make fuzz` plays a million."""
    instrument = fuzz(VARIANTS[variant], 600, seed=7)
    assert instrument.ledger.received > 60


SETTINGS = Settings(polyphony=4, bindings=[])
INSTRUMENT = Instrument(SETTINGS, sample_rate=RATE, block_frames=BLOCK)


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
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


def test_a_quiet_receiver_has_no_lane_in_use_and_nothing_moves() -> None:
    """What moved by itself gives its row back; else every block would cost more."""
    instrument = fuzz(VARIANTS["as usual"], 1000, seed=3)
    out = np.zeros((BLOCK, 2), np.float32)
    for controller in range(2):
        instrument.take(b"\xff", 0, controller)
    for _ in range(10):
        instrument.render(out)
    assert not instrument.moving
