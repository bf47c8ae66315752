"""The mixer: every voice with the gains of its channel and its place, left, right and to the room.

Shapes: ``V`` voices, ``T`` frames, ``S`` sub-blocks of ``L`` frames; a mix is (2, T), left and
right, or (3, T) with what is sent to the room.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.ramps import Ramps
from voices.modulation.smoother import GAINS
from voices.synthesis.bank import Bank

_HALF_POWER = 0.5**0.5


def mix(
    bank: Bank,
    ramps: Ramps | None,
    mixed: NDArray[np.float32],
    *,
    first: bool,
) -> None:
    """Write the block of a bank to ``mixed``, (2 or 3, T). Real-time safe.

    ``ramps`` are those of gains that move; None: none does. The ``first`` bank overwrites what is
    there, the others add to it.
    """
    wave, level = bank.wave, bank.level
    if ramps is not None:
        made = _mix_along(ramps, bank, sends=len(mixed) > 2)
    else:
        gain = bank.arrays.gain[: bank.count]
        if len(mixed) > 2:
            gain = _with_send(gain, bank)
        if level is not None:
            gain = gain * level
        if first:  # this way round the product costs half
            gain.T.dot(wave, mixed)
            return
        made = gain.T.dot(wave)
    if first:
        mixed[...] = made
    else:
        mixed += made


def _with_send(gains: NDArray[Any], bank: Bank) -> NDArray[Any]:
    """Return gains (..., V, 2) with a third column: how much of a voice goes to the room."""
    send = gains.sum(-1, keepdims=True) * (bank.arrays.wet[: bank.count, None] * _HALF_POWER)
    return np.concatenate([gains, send.astype(gains.dtype, copy=False)], axis=-1)


def _mix_along(ramps: Ramps, bank: Bank, *, sends: bool) -> NDArray[np.float32]:
    """Return the mix with gains that run straight through every sub-block, (2 or 3, T)."""
    rows, frames = bank.arrays.motion_row[: bank.count], ramps.sub_block_frames
    begin, end = ramps.at_sub_block_ends(ramps.begin[:, rows, GAINS], ramps.end[:, rows, GAINS])
    sides = bank.arrays.sides[: bank.count]
    begin, end = begin * sides, end * sides
    if sends:
        begin, end = _with_send(begin, bank), _with_send(end, bank)
    count = begin.shape[-1]
    gains = np.concatenate([begin, (end - begin) / frames], axis=2)  # (S, V, 4 or 6)
    if bank.level is not None:
        gains *= bank.level
    parts = bank.wave.reshape(bank.count, -1, frames).transpose(1, 2, 0)  # (S, L, V)
    mixed = np.matmul(parts, gains.astype(np.float32))
    time = np.arange(frames, dtype=np.float32)[:, None]
    moved: NDArray[np.float32] = mixed[..., :count] + time * mixed[..., count:]
    return moved.reshape(-1, count).T
