"""A recorded note made ready: one channel, and where it begins, stands and is released.

Units: frames, seconds, linear samples (1.0 is full scale). Shapes: a recording is ``(N,)`` or
``(N, C)``; a note is ``(N,)`` float64.

Promise: what can't be analysed raises `UnfitError` with one line that says why.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SHORTEST_S = 0.15
LONGEST_S = 30.0
"""What comes later is left out."""
SILENT_DB = -60.0
_HOP_S = 0.002
_BEGINS_DB = -40.0
_FULL, _BEGUN = 0.9, 0.1
_FALL_HOPS = 50
_FALL_DB = 2.5
"""A key is up where a tone falls by so much more within so many hops than it did before."""
_PLATEAU = 4
_FEWEST_PLATEAUS = 3


class UnfitError(ValueError):
    """A recording that can't be analysed."""


@dataclass(frozen=True)
class Note:
    """A recorded note."""

    samples: Array
    rate: int
    onset: int
    """The frame at which it begins, to some milliseconds."""
    full: int
    """From here on it has risen."""
    end: int
    """Up to here it goes on as it began: then its key is released, or the recording ends."""
    release_s: float | None
    """T60 from there on; None: it was not released."""


def prepare(audio: NDArray[np.floating], rate: int) -> Note:
    """Return the note in a recording, or raise `UnfitError`."""
    samples = np.asarray(audio, np.float64)
    if not np.isfinite(samples).all():
        raise UnfitError("holds samples that are no numbers")
    if len(samples) < SHORTEST_S * rate:
        raise UnfitError(
            f"lasts {len(samples) / rate:.2f} s; one note of {SHORTEST_S} s or more is needed"
        )
    mono = _one_channel(samples)[: round(LONGEST_S * rate)]
    peak = float(np.abs(mono).max())
    if peak < 10 ** (SILENT_DB / 20):
        raise UnfitError(f"is silent: nothing above {SILENT_DB:.0f} dB; record it louder")
    if _plateaus(mono, peak, rate) >= _FEWEST_PLATEAUS:
        raise UnfitError("is clipped: its peaks are cut flat; record it more quietly")
    return _timed(mono - mono.mean(), rate)


def envelope(samples: Array, rate: int, hop_s: float) -> Array:
    """Return the root of the mean square of each hop."""
    hop = max(1, round(hop_s * rate))
    whole = len(samples) // hop * hop
    return np.asarray(np.sqrt(np.mean(samples[:whole].reshape(-1, hop) ** 2, axis=1)))


def _one_channel(audio: Array) -> Array:
    """Return the middle of a stereo recording, or the louder side where both cancel."""
    if audio.ndim == 1:
        return audio
    middle = audio.mean(axis=1)
    powers = (audio**2).mean(axis=0)
    if (middle**2).mean() < 0.1 * powers.max():
        return np.asarray(audio[:, int(powers.argmax())])
    return np.asarray(middle)


def _plateaus(samples: Array, peak: float, rate: int) -> int:
    """Return how many times the samples stay at a peak for longer than they can."""
    at_peak = np.abs(samples) >= peak * (1 - 1e-6)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], at_peak.astype(np.int8), [0]])))
    lengths = edges[1::2] - edges[::2]
    # A slow wave of few steps stays at its highest step for a while.
    steps = np.unique(np.abs(samples[: 1 << 16]))
    step = float(np.diff(steps).min()) if len(steps) > 1 else peak
    spectrum = np.abs(np.fft.rfft(samples[: 1 << 16]))
    cycle = len(samples[: 1 << 16]) / max(1, int(spectrum[1:].argmax()) + 1)
    natural = cycle * np.sqrt(2 * step / peak) / np.pi
    return int((lengths > _PLATEAU + 2 * natural).sum())


def _timed(samples: Array, rate: int) -> Note:
    level = envelope(samples, rate, _HOP_S)
    hop = max(1, round(_HOP_S * rate))
    smooth = np.convolve(np.pad(level, (5, 4), mode="edge"), np.ones(10) / 10, mode="valid")
    highest = float(smooth.max())
    first = int(np.argmax(level > level.max() * 10 ** (_BEGINS_DB / 20)))
    last = len(level) - 1 - int(np.argmax(level[::-1] > highest * 1e-3))
    full = first + int(np.argmax(smooth[first:] > _FULL * highest))
    full = min(full, first + (last - first) * 2 // 5)
    # What sounded before, and rings on below it, is not its beginning.
    quiet = np.flatnonzero(level[first:full] < _BEGUN * level[full])
    first += int(quiet[-1]) if len(quiet) else 0
    released, release_s = _release(smooth, full, last)
    end = min(len(samples), released * hop)
    if end - full * hop < SHORTEST_S / 3 * rate:
        end = min(len(samples), (last + 1) * hop)
    if end - full * hop < SHORTEST_S / 3 * rate:
        raise UnfitError("holds no note that goes on for long enough")
    return Note(samples, rate, first * hop, full * hop, end, release_s)


def _release(level: Array, full: int, last: int) -> tuple[int, float | None]:
    """Return where a level begins to fall much faster than before, and its T60 from there on."""
    decibels = 20 * np.log10(np.maximum(level[full : last + 1], 1e-9))
    if len(decibels) < 3 * _FALL_HOPS:
        return last + 1, None
    drops = decibels[:-_FALL_HOPS] - decibels[_FALL_HOPS:]
    usual = max(float(np.median(drops)), 0.0)
    steep = drops > _FALL_DB + 3 * usual
    # Whatever comes back was a beat, and what falls from the start on is its first decay.
    highest_later = np.maximum.accumulate(decibels[::-1])[::-1][_FALL_HOPS:]
    steep &= highest_later < decibels[:-_FALL_HOPS] - 0.8 * drops
    begins = int(np.argmax(steep))
    if not steep[begins] or begins < _FALL_HOPS:
        return last + 1, None
    begins += int(np.argmax(decibels[begins:] < decibels[begins] - 1.0))
    falling = decibels[begins : begins + 3 * _FALL_HOPS]
    deep = np.flatnonzero(falling < falling[0] - 20.0)
    falling = falling[: max(4, int(deep[0]) if len(deep) else len(falling))]
    slope = float(np.polyfit(np.arange(len(falling)) * _HOP_S, falling, 1)[0])
    return full + max(0, begins - 10), 60.0 / max(-slope, 1.0)
