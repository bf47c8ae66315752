"""The mix: every voice with its channel's gains, left and right.

Shapes: ``V`` voices, ``T`` frames.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from voices.bank import Bank
from voices.motion import GAINS, Stretch


def mix(
    wave: NDArray[np.float32],
    level: NDArray[np.float32] | None,
    bank: Bank,
    stretches: Sequence[Stretch] | None,
    out: NDArray[np.float32],
    *,
    fresh: bool,
) -> None:
    """Write the voices of a bank, ``wave`` (V, T), into ``out`` (T, 2); add if not ``fresh``.

    ``level``, shape (V, 1), goes on top where given; ``stretches`` are those of gains in motion.
    """
    if stretches is None:
        gain = bank.rows.gain[: bank.count]
        if level is not None:
            gain = gain * level
        if fresh:
            np.dot(wave.T, gain, out=out)
        else:
            out += np.dot(wave.T, gain)
        return
    channels = bank.rows.channel[: bank.count]
    for stretch in stretches:
        part = slice(stretch.offset, stretch.offset + stretch.frames)
        first, last = stretch.cut(stretch.begin[channels, GAINS], stretch.end[channels, GAINS])
        gains = np.concatenate([first, (last - first) / stretch.frames], axis=1)
        if level is not None:
            gains *= level
        mixed = np.dot(wave[:, part].T, gains.astype(np.float32))
        ramp = np.arange(stretch.frames, dtype=np.float32)[:, None]
        if fresh:
            out[part] = mixed[:, :2]
        else:
            out[part] += mixed[:, :2]
        out[part] += ramp * mixed[:, 2:]
