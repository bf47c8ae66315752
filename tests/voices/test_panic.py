"""Panic: every note ends at once, and nothing else changes."""

import numpy as np

from config.settings import Settings
from tests.support.playing import RATE, sound
from voices.instrument import Instrument

FRAMES = 64


def played(instrument: Instrument, seconds: float) -> float:
    """Return the highest sample of the next seconds."""
    out, highest = np.zeros((FRAMES, 2), np.float32), 0.0
    for _ in range(round(seconds * RATE / FRAMES)):
        instrument.render(out)
        highest = max(highest, float(np.abs(out).max()))
    return highest


def test_panic_ends_held_pedalled_and_ringing_notes_of_all_controllers_within_10_ms() -> None:
    ringing = sound([0.0], envelope={"release_s": 20.0})
    instrument = Instrument(
        Settings.model_validate({"sound": {"name": "ringing", "programs": []}}),
        sample_rate=RATE,
        block_frames=FRAMES,
        sounds={"ringing": ringing},
    )
    for controller in (0, 1, 5):
        instrument.take(b"\xb0\x07\x40", 0, controller)
        instrument.take(b"\xb0\x40\x7f", 0, controller)
        for key in (60, 64):
            instrument.take(bytes((0x90, key, 100)), 0, controller)
    instrument.take(b"\x80\x3c\x40", 1, 0)  # under the pedal
    instrument.take(b"\x91\x48\x64", 1, 0)
    instrument.take(b"\x81\x48\x40", 2, 0)  # rings on
    assert played(instrument, 0.1) > 1e-3
    instrument.panic(10)
    played(instrument, 0.01)
    assert played(instrument, 0.1) == 0.0
    assert instrument.ledger.accounts()["cut"] == 6
    assert instrument.ledger.accounts()["sounding"] == 0
    assert {note.detail for note in instrument.ledger.notes if note.account == "cut"} == {"panic"}
    # The pedal is up: what is struck now ends with its key.
    instrument.take(b"\x90\x3c\x64", 0, 0)
    assert played(instrument, 0.05) > 1e-4
    instrument.take(b"\x80\x3c\x40", 0, 0)
    played(instrument, 0.05)
    assert instrument.ledger.notes[-1].account == "released"


def test_panic_leaves_the_controls_where_they_are() -> None:
    instrument = Instrument(Settings(), sample_rate=RATE, block_frames=FRAMES)
    instrument.take(b"\xb0\x07\x00")
    instrument.panic()
    instrument.take(b"\x90\x3c\x64")
    assert played(instrument, 0.2) == 0.0


def test_panic_makes_no_click() -> None:
    instrument = Instrument(Settings(), sample_rate=RATE, block_frames=FRAMES)
    instrument.take(b"\x90\x3c\x7f")
    played(instrument, 0.3)
    out = np.zeros((FRAMES, 2), np.float32)
    blocks = []
    for _ in range(20):
        instrument.render(out)
        blocks.append(out[:, 0].copy())
    step = np.abs(np.diff(np.concatenate(blocks))).max()
    instrument.panic(7)
    blocks = []
    for _ in range(20):
        instrument.render(out)
        blocks.append(out[:, 0].copy())
    assert np.abs(np.diff(np.concatenate(blocks))).max() < 2 * step
