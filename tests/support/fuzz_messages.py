"""Random messages through the instrument, and the laws that they must not break."""

import random
from typing import Any

import numpy as np

from config.settings import Settings
from tests.support.random_messages import random_message
from voices.instrument import Instrument

RATE, BLOCK, EVERY, CONTROLLERS = 48_000, 128, 8, 2
LONGEST_TAIL_S = 6.0
VARIANTS: dict[str, dict[str, Any]] = {
    "as usual": {},
    "omni": {"controller": {"mode": 1, "basic_channel": 3}},
    "mono": {"controller": {"mode": 4}},
    "struck": {"sound": {"name": "struck-bar"}, "pressure": {"key": "level"}},
    "zones": {
        "zones": [{"keys": [0, 64], "octave": 2}, {"keys": [50, 127], "pan": 1.0, "hold": True}],
    },
    "knobs": {
        "zones": [{}, {"sound": "flat64", "octave": -1}],
        "bindings": [
            *({"control": number, "target": "partial", "partial": number} for number in (1, 5)),
            {"control": 64, "target": "zone", "zone": 2},
            {"control": 72, "target": "room"},
            {"control": 10, "target": "rank", "rank": 1},
            {"control": "pitch_bend", "target": "odd"},
        ],
    },
    "gestures": {
        "gestures": {"held": "control 65", "set": "twenty-five keys"},
        "zones": [{"keys": [0, 100]}, {"keys": [60, 127], "hold": True}],
    },
    "counted": {"controller": {"counted_note_offs": True}, "tuning": {"temperament": "just"}},
}


def fuzz(variant: dict[str, Any], messages: int, seed: int) -> Instrument:
    """Play random messages; fail at the first block that breaks a law."""
    chance = random.Random(seed)
    settings = Settings.model_validate({"polyphony": 12, "bindings": [], **variant})
    instrument = Instrument(settings, sample_rate=RATE, block_frames=BLOCK)
    ceiling = 10 ** (settings.level.ceiling_db / 20) * 1.000001
    out = np.zeros((BLOCK, 2), np.float32)
    struck = 0
    for number in range(messages):
        message = random_message(chance)
        struck += message[0] & 0xF0 == 0x90 and message[2] > 0
        frame = number % EVERY * BLOCK // EVERY
        instrument.take(message, frame, chance.randrange(CONTROLLERS))
        if number % EVERY == EVERY - 1:
            instrument.render(out)
            accounts = instrument.ledger.accounts()
            where = f"seed {seed}, message {number}"
            assert np.isfinite(out).all(), where
            assert np.abs(out).max() <= ceiling, where
            received, layered = instrument.ledger.received, instrument.ledger.layered
            assert received == struck + layered == sum(accounts.values()), where
            assert 0 <= accounts["sounding"] <= settings.polyphony, where
    silence(instrument, settings, out)
    return instrument


def silence(instrument: Instrument, settings: Settings, out: Any) -> None:
    """Send All Sound Off everywhere: after the fade no partial sounds, after the room nothing."""
    for controller in range(CONTROLLERS):
        for channel in range(16):
            instrument.take(bytes((0xB0 | channel, 120, 0)), 0, controller)
    for _ in range(2 + round(0.006 * RATE / BLOCK)):
        instrument.render(out)
    assert (instrument.sounding, instrument.partials) == (0, 0)
    for _ in range(round(LONGEST_TAIL_S * RATE / BLOCK)):
        if not out.any():
            break
        instrument.render(out)
    assert not out.any(), "something sounds after All Sound Off"
    assert instrument.ledger.accounts()["sounding"] == 0
