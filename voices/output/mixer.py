"""The mixer: every voice with the gains of its channel, left and right.

Shapes: ``V`` voices, ``T`` frames, ``S`` sub-blocks of ``L`` frames.
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
    ramps: Ramps | None,
    stereo: NDArray[np.float32],
    *,
    first: bool,
) -> None:
    """Write the voices of a bank, ``wave`` (V, T), to ``stereo`` (2, T). Real-time safe.

    ``level``, shape (V, 1), is applied on top if given. ``ramps`` are those of gains that move;
    None: none does. The ``first`` bank overwrites what is there, the others add to it.
    """
    if ramps is not None:
        mixed = _mix_along(ramps, wave, level, bank)
    else:
        gain = bank.rows.gain[: bank.count]
        if level is not None:
            gain = gain * level
        if first:  # this way round the product costs half
            gain.T.dot(wave, stereo)
            return
        mixed = gain.T.dot(wave)
    if first:
        stereo[...] = mixed
    else:
        stereo += mixed


def _mix_along(
    ramps: Ramps, wave: NDArray[np.float32], level: NDArray[np.float32] | None, bank: Bank
) -> NDArray[np.float32]:
    """Return the mix with gains that run straight through every sub-block, (2, T)."""
    rows, frames = bank.rows.channel[: bank.count], ramps.sub_block_frames
    begin, end = ramps.at_sub_block_ends(ramps.begin[:, rows, GAINS], ramps.end[:, rows, GAINS])
    sides = bank.rows.sides[: bank.count]
    begin, end = begin * sides, end * sides
    gains = np.concatenate([begin, (end - begin) / frames], axis=2)  # (S, V, 4)
    if level is not None:
        gains *= level
    parts = wave.reshape(bank.count, -1, frames).transpose(1, 2, 0)  # (S, L, V)
    mixed = np.matmul(parts, gains.astype(np.float32))
    time = np.arange(frames, dtype=np.float32)[:, None]
    moved: NDArray[np.float32] = mixed[..., :2] + time * mixed[..., 2:]
    return moved.reshape(-1, 2).T
