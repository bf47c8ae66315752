"""The mix: every voice with its channel's gains, left and right.

Shapes: ``V`` voices, ``T`` frames, ``S`` stretches of ``L`` frames.
"""

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import GAINS
from voices.synthesis.bank import Bank


def mix(
    wave: NDArray[np.float32],
    level: NDArray[np.float32] | None,
    bank: Bank,
    passage: Ramps | None,
    sides: NDArray[np.float32],
    *,
    fresh: bool,
) -> None:
    """Write the voices of a bank, ``wave`` (V, T), into ``sides`` (2, T); add if not ``fresh``.

    ``level``, shape (V, 1), goes on top where given; ``passage`` is that of gains in motion.
    """
    if passage is not None:
        mixed = _moving(wave, level, bank, passage)
    else:
        gain = bank.rows.gain[: bank.count]
        if level is not None:
            gain = gain * level
        if fresh:  # this way round the product costs half
            gain.T.dot(wave, sides)
            return
        mixed = gain.T.dot(wave)
    if fresh:
        sides[...] = mixed
    else:
        sides += mixed


def _moving(
    wave: NDArray[np.float32],
    level: NDArray[np.float32] | None,
    bank: Bank,
    passage: Ramps,
) -> NDArray[np.float32]:
    """Return the mix with gains that run straight through every stretch."""
    channels, frames = bank.rows.channel[: bank.count], passage.frames
    begin, end = passage.begin[:, channels, GAINS], passage.end[:, channels, GAINS]
    first, last = passage.cut(begin, end)
    gains = np.concatenate([first, (last - first) / frames], axis=2)  # (S, V, 4)
    if level is not None:
        gains *= level
    parts = wave.reshape(bank.count, -1, frames).transpose(1, 2, 0)  # (S, L, V)
    mixed = np.matmul(parts, gains.astype(np.float32))
    ramp = np.arange(frames, dtype=np.float32)[:, None]
    moved: NDArray[np.float32] = mixed[..., :2] + ramp * mixed[..., 2:]
    return moved.reshape(-1, 2).T
