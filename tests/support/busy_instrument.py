"""An instrument with every voice sounding: what benchmarks and tests of memory measure."""

import numpy as np

from config.settings import Settings
from config.sound import Sound
from voices.instrument import Instrument

RATE = 48_000


def busy_instrument(voices: int, partials: int, frames: int, *, moving: bool = False) -> Instrument:
    """Return an instrument with every voice sounding: some sustain, some decay, some release."""
    sound = Sound.model_validate(
        {
            "title": "Bench",
            "about": "Harmonics for a measurement.",
            "level_db": -60.0,
            "partials": {"count": partials, "level_db": 0.0},
            "envelope": {"attack_s": 0.01, "decay_s": 600.0, "sustain": 0.5, "release_s": 600.0},
        }
    )
    settings = Settings.model_validate({"polyphony": voices, "sound": {"name": "bench"}})
    instrument = Instrument(
        settings, sample_rate=RATE, block_frames=frames, sounds={"bench": sound}
    )
    keys = 24 + np.arange(voices) % 12  # low enough for every partial to sound
    for voice, key in enumerate(keys):
        instrument.take((0x90 | voice // 12, int(key), 100), voice % frames)
        if voice % 3 == 2:
            instrument.take((0x80 | voice // 12, int(key), 0), voice % frames)
    if moving:
        for channel in range(voices // 12 + 1):
            instrument.take((0xB0 | channel, 1, 127))
            instrument.take((0xE0 | channel, 0, 80))
    out = np.zeros((frames, 2), np.float32)
    for _ in range(RATE // 20 // frames + 1):
        instrument.render(out)
    return instrument
