"""The cues' tones, and their place in the output.

Units: seconds, MIDI keys, dB below full scale.
Shapes: tones are ``(frames,)`` float32, the same for both sides; a block is ``(block_frames, 2)``.
Threads: `cue_samples` on the player's main thread, `CueTones.play` on one other than the audio
callback's, `CueTones.add_to` in the callback: it is real-time safe.
"""

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

from daemon.ipc.messages import CUE_PATTERNS
from voices.curves import key_frequency

_EDGE_S = 0.02


def cue_samples(name: str, sample_rate: int, level_db: float) -> NDArray[np.float32]:
    """Return a cue's samples, each tone with soft edges."""
    peak = 10 ** (level_db / 20)
    tones = []
    for key, seconds in CUE_PATTERNS[name]:
        times = np.arange(round(seconds * sample_rate)) / sample_rate
        edge = np.clip(np.minimum(times, seconds - times) / _EDGE_S, 0.0, 1.0)
        pitch_hz = key_frequency(key, 440.0, (0.0,) * 12)
        tones.append(np.sin(math.pi / 2 * edge) ** 2 * np.sin(2 * math.pi * pitch_hz * times))
    return (peak * np.concatenate(tones)).astype(np.float32)


class CueTones:
    """The cue that sounds now, if any."""

    def __init__(self) -> None:
        self._playing: deque[NDArray[np.float32]] = deque(maxlen=1)
        self._at = 0

    def play(self, samples: NDArray[np.float32]) -> None:
        """Play a cue from the next block on, instead of any other."""
        self._at = 0
        self._playing.append(samples)

    def add_to(self, out: NDArray[np.float32]) -> None:
        """Add the cue's next samples to a block."""
        if not self._playing:
            return
        part = self._playing[0][self._at : self._at + len(out)]
        out[: len(part)] += part[:, np.newaxis]
        self._at += len(out)
        if len(part) < len(out):
            self._playing.clear()
