"""The mixer: every voice with the gains of its channel and its place, left, right and to the room.

Shapes: ``V`` slots, each with a wave for one side or two, ``T`` frames, ``B`` sub-blocks of ``L``
frames; a mix is (2, T), left and right, or (3, T) with what is sent to the room.
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
    level, wave = bank.level, bank.wave.reshape(-1, bank.wave.shape[2])
    if ramps is not None:
        made = _mix_along(ramps, bank, sends=len(mixed) > 2)
    else:
        sends = len(mixed) > 2
        if bank.gains is None or bank.gains.shape[1] != len(mixed):
            bank.gains = _by_wave(bank.arrays.gain[: bank.count], bank, sends=sends)
        gain = bank.gains
        if level is not None:
            known = bank.levelled
            if known is None or known[0] is not level or known[1] is not gain:
                made = gain * level.repeat(bank.arrays.sides, axis=0)
                known = bank.levelled = level, gain, made
            gain = known[2]
        if first:  # this way round the product costs half
            gain.T.dot(wave, mixed)
            return
        made = gain.T.dot(wave)
    if first:
        mixed[...] = made
    else:
        mixed += made


def _by_wave(gains: NDArray[Any], bank: Bank, *, sends: bool) -> NDArray[Any]:
    """Return slots' gains (..., V, 2) as those of every wave (..., VS, 2 or 3).

    With a third column: how much of a wave goes to the room.
    """
    sides = bank.arrays.sides
    if sides == 1 and not sends:
        return gains
    wet = bank.arrays.wet[: bank.count] * _HALF_POWER
    by_wave = np.zeros((*gains.shape[:-1], sides, 3 if sends else 2), gains.dtype)
    if sides == 2:  # one is heard left only, the other right only
        by_wave[..., 0, 0], by_wave[..., 1, 1] = gains[..., 0], gains[..., 1]
        if sends:
            by_wave[..., 2] = gains * wet[:, None]
    else:
        by_wave[..., 0, :2] = gains
        if sends:
            by_wave[..., 0, 2] = (gains[..., 0] + gains[..., 1]) * wet
    return by_wave.reshape(*gains.shape[:-2], -1, by_wave.shape[-1])


def _mix_along(ramps: Ramps, bank: Bank, *, sends: bool) -> NDArray[np.float32]:
    """Return the mix with gains that run straight through every sub-block, (2 or 3, T)."""
    rows, frames = bank.arrays.motion_row[: bank.count], ramps.sub_block_frames
    begin, end = ramps.at_sub_block_ends(ramps.begin[:, rows, GAINS], ramps.end[:, rows, GAINS])
    if bank.level is not None:
        begin, end = begin * bank.level, end * bank.level
    begin, end = _by_wave(begin, bank, sends=sends), _by_wave(end, bank, sends=sends)
    count = begin.shape[-1]
    gains = np.concatenate([begin, (end - begin) / frames], axis=2)  # (B, VS, 4 or 6)
    parts = bank.wave.reshape(begin.shape[1], -1, frames).transpose(1, 2, 0)  # (B, L, VS)
    mixed = np.matmul(parts, gains.astype(np.float32))
    time = np.arange(frames, dtype=np.float32)[:, None]
    moved: NDArray[np.float32] = mixed[..., :count] + time * mixed[..., count:]
    return moved.reshape(-1, count).T
