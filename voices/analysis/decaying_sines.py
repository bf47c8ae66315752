"""Sinusoids that decay, fitted to the path of one partial: one of them, or two.

A partial is shifted down to 0 Hz and smoothed; what is left is a slow complex path. A sinusoid that
decays stays one under any such filter, so its frequency and decay are read from the path without
error, and its level once the filter's own gain is taken out.

Units: seconds, radians a second and nepers a second in one complex rate ``s``: it is e^(s·t).
Shapes: a path is ``(N,)`` complex.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from voices.analysis.peaks import LOBE_BINS, response

Array = NDArray[np.float64]
Path = NDArray[np.complex128]

_STEPS = 25
_POINTS = 240
_ENOUGH = 0.25
"""Two explain a path better than one if they leave less than this part of its error ..."""
_WORTH_DB = -46.0
"""... and one alone leaves more than this, beside the partial."""
_LEAST_SECOND_DB = -40.0
_FARTHEST_HZ = 8.0


@dataclass(frozen=True)
class Sine:
    """One decaying sinusoid: ``amplitude``·e^(``rate``·t), from the moment its path begins."""

    rate: complex
    amplitude: complex

    @property
    def hz(self) -> float:
        """Its frequency."""
        return float(self.rate.imag / (2 * np.pi))

    @property
    def t60_s(self) -> float:
        """The time in which it falls by 60 dB; infinite where it does not."""
        return float(np.log(1000) / -self.rate.real) if self.rate.real < 0 else np.inf


class Spectrum:
    """The spectrum of a piece of sound, from which the path of each of its partials is taken."""

    def __init__(self, samples: Array, rate: int) -> None:
        self.frames, self._rate = len(samples), rate
        self._size = 1 << int(np.ceil(np.log2(len(samples) + 1)))
        self._bins = np.fft.rfft(samples, self._size)

    def path(self, hz: float, length: int) -> tuple[Path, Array, float]:
        """Return a path ``length`` frames smooth, its times, and the frequency it turns about."""
        middle = round(hz * self._size / self._rate)
        half = int(np.ceil((LOBE_BINS + 1) * self._size / length))
        count = 1 << int(np.ceil(np.log2(2 * half)))
        apart = np.arange(-half, half)
        inside = (middle + apart >= 0) & (middle + apart < len(self._bins))
        band = np.zeros(count, np.complex128)
        shape = response(apart[inside] * length / self._size)
        band[apart[inside]] = self._bins[middle + apart[inside]] * shape
        path = 2 * np.fft.ifft(band) * count / self._size
        at = np.arange(count) * self._size / count
        valid = (at >= length / 2) & (at <= self.frames - length / 2)
        thin = max(1, int(valid.sum()) // _POINTS)
        base_hz = middle * self._rate / self._size
        return path[valid][::thin], at[valid][::thin] / self._rate, base_hz


def fit(path: Path, times: Array) -> tuple[list[Sine], float]:
    """Return one or two sines that make a path, loudest first, and the share of power they miss."""
    one, error = _refined(path, times, [_slope(path, times)])
    power = float((np.abs(path) ** 2).sum()) or 1.0
    if len(path) < 12 or error / power < 10 ** (_WORTH_DB / 10):
        return one, error / power
    starts = _two(path, times)
    if starts is None:
        return one, error / power
    two, less = _refined(path, times, starts)
    if less < _ENOUGH * error and _sensible(two):
        return two, less / power
    return one, error / power


def gain(rate: complex, seconds: float) -> complex:
    """Return what smoothing over some seconds makes of a sine's amplitude."""
    return complex(response(np.array([rate * seconds / 2j / np.pi]))[0])


def _sensible(sines: list[Sine]) -> bool:
    first, second = sines
    apart = abs(first.hz - second.hz)
    falling = max(each.rate.real for each in sines) < 0.5
    heard = abs(second.amplitude) > abs(first.amplitude) * 10 ** (_LEAST_SECOND_DB / 20)
    return apart < _FARTHEST_HZ and falling and heard


def _slope(path: Path, times: Array) -> complex:
    """Return the rate by which a path turns and falls, by and large."""
    power = np.abs(path) ** 2
    loud = power > 0.01 * power.max()
    first = int(np.argmax(loud))
    quiet = np.flatnonzero(~loud[first:])
    part = slice(first, first + int(quiet[0]) if len(quiet) else len(path))
    if part.stop - part.start < 3:
        part = slice(0, len(path))
    weights = np.abs(path[part])
    logarithm = np.log(np.maximum(weights, 1e-15)) + 1j * np.unwrap(np.angle(path[part]))
    real = np.polyfit(times[part], logarithm.real, 1, w=weights)[0]
    imaginary = np.polyfit(times[part], logarithm.imag, 1, w=weights)[0]
    return complex(real, imaginary)


def _two(path: Path, times: Array) -> list[complex] | None:
    """Return the rates of two sines in a path, by the subspace they span."""
    step = max(1, len(path) // 120)
    thin, dt = path[::step], float(times[step] - times[0])
    half = len(thin) // 2
    hankel = np.lib.stride_tricks.sliding_window_view(thin, half)
    _, _, rows = np.linalg.svd(hankel, full_matrices=False)
    space = rows[:2].T
    turn = np.linalg.lstsq(space[:-1], space[1:], rcond=None)[0]
    roots = np.linalg.eigvals(turn)
    if not (np.abs(roots) > 1e-6).all():
        return None
    return [complex(np.log(root)) / dt for root in roots]


def _refined(path: Path, times: Array, rates: list[complex]) -> tuple[list[Sine], float]:
    """Return the sines nearest to a path, from rates that are nearly right (Gauss and Newton)."""
    count, damping = len(rates), 1e-3
    now = np.array(rates)
    amplitudes, error = _amplitudes(path, times, now)
    for _ in range(_STEPS):
        shapes = np.exp(np.minimum(np.outer(times, now).real, 50.0)) * np.exp(
            1j * np.outer(times, now).imag
        )
        columns = np.hstack([shapes, shapes * amplitudes * times[:, None]])
        left = path - shapes @ amplitudes
        square = columns.conj().T @ columns
        raised = square + damping * np.diag(np.diag(square).real + 1e-30)
        try:
            step = np.linalg.solve(raised, columns.conj().T @ left)[count:]
        except np.linalg.LinAlgError:
            break
        new_amplitudes, new_error = _amplitudes(path, times, now + step)
        if new_error < error:
            done = error - new_error < 1e-9 * error
            now, amplitudes, error = now + step, new_amplitudes, new_error
            damping *= 0.2
            if done:
                break
        else:
            damping *= 8.0
            if damping > 1e6:
                break
    sines = [Sine(complex(s), complex(a)) for s, a in zip(now, amplitudes, strict=True)]
    return sorted(sines, key=lambda each: -abs(each.amplitude)), error


def _amplitudes(path: Path, times: Array, rates: Path) -> tuple[Path, float]:
    exponents = np.outer(times, rates)
    if exponents.real.max() > 30.0:
        return np.zeros(len(rates), np.complex128), np.inf
    shapes = np.exp(exponents)
    found = np.linalg.lstsq(shapes, path, rcond=None)[0]
    return np.asarray(found, np.complex128), float((np.abs(path - shapes @ found) ** 2).sum())
