"""An instrument played by bytes, as the standards print them, and heard in stretches.

Units: seconds, hertz, cents. Shapes: a recording is ``(frames, 2)`` float32.
"""

from typing import Any

import numpy as np

from config.settings import Settings
from config.sound import Sound
from tests.support.measure import cents, db, partial_level, pitch
from tests.support.playing import RATE, Recording, sound
from voices.instrument import Instrument

BLOCK = 256
ORGAN = sound([0.0], envelope={"attack_s": 0.004, "release_s": 0.1})
"""A sine that sustains."""
STRUCK = sound(
    [0.0], envelope={"attack_s": 0.002, "decay_s": 2.0, "sustain": 0.0, "release_s": 0.4}
)
"""A sine that dies away."""
RICH = sound([0.0, 0.0, 0.0, 0.0], envelope={"attack_s": 0.004, "release_s": 0.1})


def key_hz(key: float) -> float:
    """GM2 v1.2a section 2.7.1: key 69 is 440 Hz."""
    return float(440.0 * 2.0 ** ((key - 69.0) / 12.0))


class Player:
    """One instrument, from power-on."""

    def __init__(self, tone: Sound = ORGAN, *, block: int = BLOCK, **settings: Any) -> None:
        chosen = Settings.model_validate({"sound": {"name": "x"}, "bindings": [], **settings})
        self.instrument = Instrument(
            chosen, sample_rate=RATE, block_frames=block, sounds={"x": tone, "other": RICH}
        )

    def send(self, *messages: str | bytes, controller: int = 0, frame: int = 0) -> "Player":
        """Send messages written in hex, each whole."""
        for message in messages:
            plain = bytes.fromhex(message) if isinstance(message, str) else message
            self.instrument.take(plain, frame, controller)
        return self

    def control(self, number: int, value: int, channel: int = 0) -> "Player":
        """Send a control change."""
        return self.send(bytes((0xB0 | channel, number, value)))

    def hear(self, seconds: float) -> Recording:
        """Return what sounds in the next seconds."""
        block = self.instrument.block_frames
        blocks = round(seconds * RATE / block)
        recording = np.empty((blocks * block, 2), np.float32)
        for place in range(blocks):
            self.instrument.render(recording[place * block : (place + 1) * block])
        return recording

    def step(self, seconds: float) -> float:
        """Return the largest step from sample to sample in the next seconds: a click's is large."""
        return float(np.abs(np.diff(self.hear(seconds), axis=0)).max())

    def wait(self, seconds: float) -> "Player":
        """Let time pass."""
        self.hear(seconds)
        return self

    def cents(self, key: float, seconds: float = 0.5, within: float = 90.0) -> float:
        """Return how far the strongest partial near a key lies from it."""
        self.wait(0.05)
        near = key_hz(key)
        return cents(pitch(self.hear(seconds)[:, 0], RATE, near, within), near)

    def level(self, key: float = 69, side: int = 0, seconds: float = 0.1) -> float:
        """Return the level of the partial at a key, in dB."""
        self.wait(0.05)
        return db(partial_level(self.hear(seconds)[:, side], RATE, key_hz(key)))

    def silent(self) -> bool:
        """Whether nothing sounds in the next block."""
        return not self.hear(self.instrument.block_frames / RATE).any()

    @property
    def accounts(self) -> dict[str, int]:
        """The accounts that hold a note."""
        return {name: n for name, n in self.instrument.ledger.accounts().items() if n}
