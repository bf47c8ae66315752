"""The sound of the cues.

Units: seconds, MIDI keys, dB below full scale. Shapes: ``(frames,)`` float32, for both sides alike.
Threads: the player's main thread.
"""

import math

import numpy as np
from numpy.typing import NDArray

from daemon.keeper.cues import PATTERNS
from voices.curves import key_frequency

_EDGE_S = 0.02


def samples(name: str, sample_rate: int, level_db: float) -> NDArray[np.float32]:
    """Return a cue's samples, each tone with soft edges."""
    peak = 10 ** (level_db / 20)
    tones = []
    for key, seconds in PATTERNS[name]:
        times = np.arange(round(seconds * sample_rate)) / sample_rate
        edge = np.clip(np.minimum(times, seconds - times) / _EDGE_S, 0.0, 1.0)
        pitch_hz = key_frequency(key, 440.0, (0.0,) * 12)
        tones.append(np.sin(math.pi / 2 * edge) ** 2 * np.sin(2 * math.pi * pitch_hz * times))
    return (peak * np.concatenate(tones)).astype(np.float32)
