"""The mix: every voice with its channel's gains, left and right.

Shapes: ``V`` voices, ``T`` frames.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voices.bank import Bank
from voices.motion import LEFT, RIGHT, Motion, Stretch

_GAINS = slice(LEFT, RIGHT + 1)


def mix(
    wave: NDArray[np.float32],
    bank: Bank,
    motion: Motion,
    stretches: Sequence[Stretch] | None,
    out: NDArray[np.float32],
    *,
    fresh: bool,
) -> None:
    """Write the voices of a bank, ``wave`` (V, T), into ``out`` (T, 2); add if not ``fresh``."""
    channels = bank.channel[: bank.count]
    if stretches is None or not motion.panning:
        gain = motion.value[channels, _GAINS].astype(np.float32)
        if fresh:
            np.dot(wave.T, gain, out=out)
        else:
            out += wave.T @ gain
        return
    for stretch in stretches:
        offset, frames = stretch.offset, stretch.frames
        first, last = stretch.cut(stretch.begin[channels, _GAINS], stretch.end[channels, _GAINS])
        gains = np.concatenate([first, (last - first) / frames], axis=1).astype(np.float32)
        mixed = wave[:, offset : offset + frames].T @ gains
        ramp = np.arange(frames, dtype=np.float32)[:, None]
        part = mixed[:, :2] + ramp * mixed[:, 2:]
        if fresh:
            out[offset : offset + frames] = part
        else:
            out[offset : offset + frames] += part
