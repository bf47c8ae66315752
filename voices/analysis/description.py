"""A note described: its pitch, partials, rise, decay, release and noise, and how much they explain.

Units: hertz, dB, seconds, phases in cycles (0 is a rising sine).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voices.analysis.noise import Noise, noise_of
from voices.analysis.partials import Partial, moved, partials_of, sound_of
from voices.analysis.pitch import key_hz, key_of, pitch_of
from voices.analysis.recording import UnfitError, prepare
from voices.analysis.rise import ramp, rise_of

Array = NDArray[np.float64]

LONGEST_DECAY_S = 200.0
"""What would take longer does not decay."""
QUIET_DB = -70.0
"""Partials quieter than this beside the loudest are left out."""
_ASTRAY_CENTS, _NEAR_CENTS = 35.0, 6.0
_SHORT_S = 0.6
_FEWEST_ASTRAY = 4
_LEAST_DB = -1.0
_SERIES = 0.8


@dataclass(frozen=True)
class Found:
    """One partial at the onset."""

    ratio: float
    level_db: float
    """As recorded: 0 dB is a sine of full scale."""
    phase: float
    decay_s: float
    second_db: float | None = None
    """Level of a second component, beside the first; None: there is none."""
    second_decay_s: float = np.inf
    beats_hz: float = 0.0
    """How much higher the second one is."""


@dataclass(frozen=True)
class Description:
    """What a recorded note is made of."""

    rate: int
    hz: float
    key: int
    partials: list[Found]
    rise_s: float
    release_s: float | None
    noise: Noise | None
    residual_db: float
    """What the partials leave of the recording, from its onset to its release."""
    heard: Array
    """The recording from its onset to its release."""
    rest: Array
    """What the partials leave of it."""

    @property
    def level_db(self) -> float:
        """Of all partials together."""
        return float(10 * np.log10(sum(10 ** (each.level_db / 10) for each in self.partials)))


def describe(audio: NDArray[np.floating], rate: int, key: int | None = None) -> Description:
    """Return what a recorded note is made of.

    Parameters
    ----------
    audio
        Shape ``(N,)`` or ``(N, C)``.
    rate
        Frames per second.
    key
        Which key it is; None: that is found.

    Raises
    ------
    UnfitError
        With one line, if it can't be analysed.
    """
    note = prepare(audio, rate)
    partials = partials_of(note)
    if not partials:
        raise UnfitError("holds no steady or ringing tone, only noise")
    rise_s, shift_s = rise_of(note, partials)
    partials = [moved(each, shift_s) for each in partials]
    onset = max(0, note.onset + round(shift_s * rate))
    partials = [moved(each, (onset - note.onset) / rate - shift_s) for each in partials]
    partials = _heard(partials)
    hz = _pitch(partials, key)
    tones = _tones(partials, hz)
    frames = note.end - onset
    heard = note.samples[onset : note.end]
    risen = ramp(np.arange(frames) / rate, rise_s)
    rest = heard - sound_of(tones, rate, frames) * risen
    residual_db = float(10 * np.log10(max((rest**2).sum() / (heard**2).sum(), 1e-20)))
    if residual_db > _LEAST_DB:
        raise UnfitError("holds no single note that its partials explain; cut one out of it")
    power = sum(each.level**2 for each in tones) / 2
    noise = noise_of(rest, rate, np.array([each.first.hz for each in tones]), power)
    return Description(
        rate=rate,
        hz=hz,
        key=key_of(hz) if key is None else key,
        partials=[_found(each, hz) for each in tones],
        rise_s=rise_s,
        release_s=note.release_s,
        noise=noise,
        residual_db=residual_db,
        heard=heard,
        rest=rest,
    )


def _heard(partials: list[Partial]) -> list[Partial]:
    loudest = max(each.level for each in partials)
    return [each for each in partials if each.level > loudest * 10 ** (QUIET_DB / 20)]


def _tones(partials: list[Partial], hz: float) -> list[Partial]:
    """Return partials without those that are a noise's: short, and no part of the tone's series."""
    power = np.array([each.level**2 for each in partials])
    ratios = np.array([each.first.hz for each in partials]) / hz
    numbers = np.maximum(np.rint(ratios), 1)
    off_cents = np.abs(1200 * np.log2(ratios / numbers))
    astray = off_cents > _ASTRAY_CENTS + 4 * numbers
    decays = np.array([max(sine.t60_s for sine in each.sines) for each in partials])
    short = decays < min(_SHORT_S, 0.2 * float(decays[int(power.argmax())]))
    kept = ~(astray & short)
    # Noises have many; and most of a bell is astray, then what is short is its own as well.
    if (~kept).sum() < _FEWEST_ASTRAY or power[kept & ~astray].sum() < _SERIES * power[kept].sum():
        return partials
    # Where there is a noise, some of it is near the series by chance.
    kept &= ~(short & (off_cents > _NEAR_CENTS + 0.5 * numbers))
    return [each for each, keep in zip(partials, kept, strict=True) if keep]


def _pitch(partials: list[Partial], key: int | None) -> float:
    pairs = [(each.first.hz, each.level) for each in partials]
    if key is None:
        return pitch_of(pairs)
    near = [pair for pair in pairs if key_of(pair[0]) == key]
    return max(near, key=lambda pair: pair[1])[0] if near else key_hz(key)


def _found(partial: Partial, pitch_hz: float) -> Found:
    first, second = partial.first, partial.second
    phase = float(np.angle(first.amplitude) / (2 * np.pi) + 0.25)
    found = Found(
        ratio=first.hz / pitch_hz,
        level_db=20 * float(np.log10(abs(first.amplitude))),
        phase=(phase + 0.5) % 1.0 - 0.5,
        decay_s=_decay(first.t60_s),
    )
    if second is None:
        return found
    return Found(
        *(found.ratio, found.level_db, found.phase, found.decay_s),
        second_db=20 * float(np.log10(abs(second.amplitude) / abs(first.amplitude))),
        second_decay_s=_decay(second.t60_s),
        beats_hz=second.hz - first.hz,
    )


def _decay(seconds: float) -> float:
    return seconds if seconds < LONGEST_DECAY_S else float(np.inf)
