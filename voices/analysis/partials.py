"""The partials of a note, and the sound that they make together.

Units: hertz, linear levels, radians, seconds from the start of the fitted piece.
Shapes: ``K`` sines; a piece is ``(N,)`` float64.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from voices.analysis.decaying_sines import Sine, Spectrum, fit, gain
from voices.analysis.peaks import LOBE_BINS, Peak, find
from voices.analysis.recording import Note

Array = NDArray[np.float64]

MOST = 128
_SHORTEST_S, _LONGEST_S = 0.02, 0.25
_SETTLED_S = 1.0
"""How much of a note is solved for at once."""
_GROWING = 5.0
"""Nepers a second: what grows faster is no partial."""
_BLOCK = 512
_NOISE = 0.5
"""A path of which so much is not explained is no partial's."""


@dataclass(frozen=True)
class Partial:
    """One partial: a sine that decays, or two that are one to the ear."""

    first: Sine
    second: Sine | None = None

    @property
    def sines(self) -> tuple[Sine, ...]:
        """One or two."""
        return (self.first,) if self.second is None else (self.first, self.second)

    @property
    def level(self) -> float:
        """Of both together at the start, linear."""
        return float(np.sqrt(abs(self.first.amplitude) ** 2 + self._second_power))

    @property
    def _second_power(self) -> float:
        return abs(self.second.amplitude) ** 2 if self.second else 0.0


def partials_of(note: Note) -> list[Partial]:
    """Return the partials of a note by frequency, their levels at its onset."""
    piece = note.samples[note.full : note.end]
    peaks = find(piece, note.rate)
    peaks = sorted(sorted(peaks, key=lambda peak: -peak.level)[:MOST])
    spectrum = Spectrum(piece, note.rate)
    fitted = [_fitted(spectrum, note.rate, peaks, place) for place in range(len(peaks))]
    found = _without_twins([each for each in fitted if each is not None])
    solved = _solved(piece, note.rate, found)
    back = (note.onset - note.full) / note.rate
    return sorted((moved(each, back) for each in solved), key=lambda each: each.first.hz)


def sound_of(partials: list[Partial], rate: int, frames: int) -> Array:
    """Return what partials sound like together, from their start on."""
    sines = [sine for partial in partials for sine in partial.sines]
    if not sines:
        return np.zeros(frames)
    rates = np.array([sine.rate for sine in sines])
    starts = np.arange(0, frames, _BLOCK) / rate
    ahead = np.exp(np.outer(starts, rates)) * [sine.amplitude for sine in sines]
    return np.asarray((ahead @ np.exp(np.outer(rates, np.arange(_BLOCK) / rate))).real.ravel())[
        :frames
    ]


def _fitted(spectrum: Spectrum, rate: int, peaks: list[Peak], place: int) -> Partial | None:
    hz = peaks[place].hz
    others = [abs(peak.hz - hz) for n, peak in enumerate(peaks) if n != place]
    apart = min([*others, 2 * hz])
    length_s = min(max(LOBE_BINS / apart, 2.2 * LOBE_BINS / hz, _SHORTEST_S), _LONGEST_S)
    length = min(round(length_s * rate), spectrum.frames // 2)
    path, times, base_hz = spectrum.path(hz, length)
    sines, missed = fit(path, times)
    if missed > _NOISE or sines[0].rate.real > _GROWING:
        return None
    return Partial(
        *(
            Sine(each.rate + 2j * np.pi * base_hz, each.amplitude / gain(each.rate, length / rate))
            for each in sines
        )
    )


def _without_twins(partials: list[Partial]) -> list[Partial]:
    """Return partials, each once: two peaks may have led to the same one."""
    kept: list[Partial] = []
    for each in sorted(partials, key=lambda partial: -partial.level):
        if all(abs(each.first.hz - other.first.hz) > 1.0 for other in kept):
            kept.append(each)
    return kept


def _solved(piece: Array, rate: int, partials: list[Partial]) -> list[Partial]:
    """Return partials each so much louder, and turned, that together they make the piece."""
    count = len(partials)
    if not count:
        return partials
    frames = min(len(piece), round(_SETTLED_S * rate)) // _BLOCK * _BLOCK or len(piece)
    square, right = np.zeros((2 * count, 2 * count)), np.zeros(2 * count)
    shapes = [_complex_sound(each, rate, frames) for each in partials]
    for start in range(0, frames, 1 << 12):
        part = slice(start, start + (1 << 12))
        pieces = np.array([each[part] for each in shapes])
        columns = np.vstack([pieces.real, -pieces.imag])
        square += columns @ columns.T
        right += columns @ piece[:frames][part]
    square += np.eye(2 * count) * square.trace() / count * 1e-12
    found = np.linalg.solve(square, right)
    factors = (found[:count] + 1j * found[count:]).tolist()
    return [_scaled(each, factor) for each, factor in zip(partials, factors, strict=True)]


def _complex_sound(partial: Partial, rate: int, frames: int) -> NDArray[np.complex128]:
    times = np.arange(frames) / rate
    return np.asarray(sum(each.amplitude * np.exp(each.rate * times) for each in partial.sines))


def _scaled(partial: Partial, factor: complex) -> Partial:
    sines = [replace(each, amplitude=each.amplitude * factor) for each in partial.sines]
    return Partial(*sines)


def moved(partial: Partial, seconds: float) -> Partial:
    """Return a partial counted from another moment."""
    return Partial(
        *(
            replace(sine, amplitude=sine.amplitude * complex(np.exp(sine.rate * seconds)))
            for sine in partial.sines
        )
    )
