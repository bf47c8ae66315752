"""What is left of a note without its partials: how loud, from where to where, and for how long.

Units: dB beside the partials at the onset, hertz, seconds. Bands are octaves, by their middle.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voices.analysis.peaks import LOBE_BINS, window

Array = NDArray[np.float64]

_SHORTEST_S, _LONGEST_S = 0.03, 0.25
_APART = 13.0
"""So many cycles of a tone are needed to look between its partials."""
_LOWEST_HZ = 62.5
HEARD_DB = -75.0
"""What is quieter is no noise of the note's."""
_IN_DB = 14.0
"""A band belongs to the noise if it is no farther than this below the loudest ..."""
_MEDIAN = np.log(2.0)
"""... as the median of its power goes, which partials that were missed do not move."""


@dataclass(frozen=True)
class Noise:
    """The noise of a note."""

    level_db: float
    low_hz: float
    high_hz: float
    slope_db: float
    """By octave, of the power in equal parts of an octave."""
    decay_s: float
    """T60; infinite if it stays."""
    bands: dict[float, float]
    """Level of each octave, by its middle."""


def noise_of(rest: Array, rate: int, partials_hz: Array, tone_power: float) -> Noise | None:
    """Return the noise in what partials leave, from the onset on; None: there is none to hear.

    It is looked for between the partials, since near them is what they were missed by.
    """
    apart_hz = float(np.median(np.diff([0.0, *partials_hz])))
    frame_s = min(max(_APART / max(apart_hz, 1.0), _SHORTEST_S), _LONGEST_S)
    frames = round(frame_s * rate)
    if len(rest) < 3 * frames or tone_power <= 0.0:
        return None
    starts = np.arange(0, len(rest) - frames + 1, frames // 2)
    shape = window(frames) * np.sqrt(1.0 / np.sum(window(frames) ** 2))
    pieces = np.lib.stride_tricks.sliding_window_view(rest, frames)[starts] * shape
    power = 2 * np.abs(np.fft.rfft(pieces)) ** 2 / frames
    hertz = np.fft.rfftfreq(frames, 1 / rate)
    near = np.abs(hertz[:, None] - partials_hz) < LOBE_BINS * rate / frames
    free = ~near.any(axis=1)
    bands: dict[float, Array] = {}
    middle = _LOWEST_HZ
    while middle / np.sqrt(2) < rate / 2:
        inside = (hertz >= middle / np.sqrt(2)) & (hertz < middle * np.sqrt(2))
        if (inside & free).any():
            middles = np.median(power[:, inside & free], axis=1)
            bands[middle] = middles / _MEDIAN * inside.sum()
        middle *= 2
    early = max(1, round(0.3 * len(starts)))
    if not bands:
        return None
    total = np.sum(list(bands.values()), axis=0)
    decay_s, first = _decay(total, starts / rate, frames / rate)
    share = {middle: float(each[:early].mean()) for middle, each in bands.items()}
    whole = sum(share.values())
    level_db = _db(first / tone_power)
    if level_db < HEARD_DB or whole <= 0.0:
        return None
    levels = {middle: level_db + _db(each / whole) for middle, each in share.items()}
    loudest = max(levels.values())
    inside_bands = [middle for middle, level in levels.items() if level > loudest - _IN_DB]
    low, high = min(inside_bands), max(inside_bands)
    octaves = np.log2(np.array(inside_bands) / low)
    slope = 0.0
    if len(inside_bands) > 2:
        slope = float(np.polyfit(octaves, [levels[middle] for middle in inside_bands], 1)[0])
    top = min(high * np.sqrt(2), rate / 2)
    return Noise(level_db, low / np.sqrt(2), float(top), slope, decay_s, levels)


def _decay(power: Array, times: Array, frame_s: float) -> tuple[float, float]:
    """Return T60 of a noise, and its power at the onset."""
    decibels = 10 * np.log10(np.maximum(power, 1e-20))
    highest = float(decibels[: max(2, len(decibels) // 3)].max())
    loud = decibels > highest - 30.0
    count = len(decibels) if loud.all() else max(2, int(np.argmin(loud)))
    if count < 3:
        return max(0.02, frame_s), float(power[0])
    middles = times[:count] + frame_s / 2
    slope, start = np.polyfit(middles, decibels[:count], 1)
    # Less than 3 dB over all of it is no decay.
    if slope * (middles[-1] - middles[0]) > -3.0:
        return np.inf, float(power[:count].mean())
    return float(-60.0 / slope), float(10 ** (start / 10))


def _db(share: float) -> float:
    return float(10 * np.log10(max(share, 1e-20)))
