"""The anchors of the benchmark: what else could compute the same partials, in the same run.

Units: microseconds a block. Shapes: V voices of P partials, T frames.
"""

import ctypes
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

# Banks of rotating phasors, the partials innermost so that the compiler can vectorise them. In the
# chirping one the rotation is itself rotated each sample, which is what a vibrato asks for.
C_BANKS = r"""
void steady(int voices, int partials, int frames, float *restrict re, float *restrict im,
            const float *restrict cr, const float *restrict ci, float *restrict out)
{
    for (int v = 0; v < voices; v++) {
        float *r = re + v * partials, *i = im + v * partials;
        const float *c = cr + v * partials, *s = ci + v * partials;
        for (int t = 0; t < frames; t++) {
            float sum = 0;
            for (int p = 0; p < partials; p++) {
                float a = r[p] * c[p] - i[p] * s[p];
                float b = r[p] * s[p] + i[p] * c[p];
                r[p] = a;
                i[p] = b;
                sum += b;
            }
            out[v * frames + t] = sum;
        }
    }
}

void chirping(int voices, int partials, int frames, float *restrict re, float *restrict im,
              float *restrict cr, float *restrict ci,
              const float *restrict dr, const float *restrict di, float *restrict out)
{
    for (int v = 0; v < voices; v++) {
        float *r = re + v * partials, *i = im + v * partials;
        float *c = cr + v * partials, *s = ci + v * partials;
        const float *d = dr + v * partials, *e = di + v * partials;
        for (int t = 0; t < frames; t++) {
            float sum = 0;
            for (int p = 0; p < partials; p++) {
                float g = c[p] * d[p] - s[p] * e[p];
                float h = c[p] * e[p] + s[p] * d[p];
                float a = r[p] * g - i[p] * h;
                float b = r[p] * h + i[p] * g;
                c[p] = g;
                s[p] = h;
                r[p] = a;
                i[p] = b;
                sum += b;
            }
            out[v * frames + t] = sum;
        }
    }
}
"""


Work = Callable[[], object]
_BATCH_NS = 200_000


def median_us(work: Work, seconds: float = 0.4) -> float:
    """Return the median time of one call, in microseconds."""
    return medians_us(work, seconds=seconds)[0]


def medians_us(*works: Work, seconds: float = 0.4, turns: int = 8) -> list[float]:
    """Return the median time of one call of each, in microseconds.

    They take turns, and what counts is the time in which they had a processor: neighbours disturb
    the caches still, and nothing else.
    """
    times: list[list[float]] = [[] for _ in works]
    counts = [_calls_in_a_batch(work) for work in works]
    for _ in range(turns):
        for work, count, mine in zip(works, counts, times, strict=True):
            end = time.thread_time() + seconds / turns
            while True:
                start = time.thread_time_ns()
                for _ in range(count):
                    work()
                now = time.thread_time_ns()
                mine.append((now - start) / count)
                if now > end * 1e9:
                    break
    return [float(np.median(mine) / 1e3) for mine in times]


def _calls_in_a_batch(work: Work) -> int:
    """Return how many calls make the reading of the clock not count."""
    work()
    start = time.thread_time_ns()
    work()
    return max(1, int(_BATCH_NS / max(time.thread_time_ns() - start, 1)))


def sine_bank(voices: int, partials: int, frames: int) -> Work:
    """Return one block of ``numpy.sin`` of every partial, voice by voice.

    In single precision and in place, as whoever cares for speed would write it. Motion costs it
    nothing: the ramp is another then.
    """
    chance = np.random.default_rng(1)
    phases = chance.random((voices, partials, 1), np.float32)
    steps = np.linspace(0.01, 1.0, voices * partials, dtype=np.float32)
    steps = steps.reshape(voices, partials, 1)
    levels = np.ones(partials, np.float32)
    ramp = np.arange(frames, dtype=np.float32)
    wave = np.empty((partials, frames), np.float32)
    one, total = np.empty((2, frames), np.float32)

    def work() -> None:
        total.fill(0.0)
        for voice in range(voices):
            np.multiply(steps[voice], ramp, out=wave)
            np.add(wave, phases[voice], out=wave)
            np.sin(wave, out=wave)
            np.dot(levels, wave, out=one)
            np.add(total, one, out=total)

    return work


class CBanks:
    """The banks in C, compiled for this machine: `steady` and `chirping` return a block of them."""

    def __init__(self) -> None:
        folder = Path(tempfile.mkdtemp(prefix="bench"))
        source, library = folder / "banks.c", folder / "banks.so"
        source.write_text(C_BANKS)
        flags = ["-O3", "-march=native", "-ffast-math", "-shared", "-fPIC"]
        subprocess.run(["cc", *flags, "-o", library, source], check=True)
        banks = ctypes.CDLL(str(library))
        shutil.rmtree(folder)
        self._steady, self._chirping = banks.steady, banks.chirping
        pointer = np.ctypeslib.ndpointer(np.float32, flags="C")
        for bank, arrays in ((self._steady, 5), (self._chirping, 7)):
            bank.argtypes = [ctypes.c_int] * 3 + [pointer] * arrays
            bank.restype = None

    def steady(self, voices: int, partials: int, frames: int) -> Work:
        """Return a block whose partials stand still."""
        turns = np.linspace(0.01, 1.0, voices * partials).astype(np.float32)
        out = np.empty(voices * frames, np.float32)
        arrays = (np.ones_like(turns), np.zeros_like(turns), np.cos(turns), np.sin(turns), out)
        return lambda: self._steady(voices, partials, frames, *arrays)

    def chirping(self, voices: int, partials: int, frames: int) -> Work:
        """Return a block whose partials all glide."""
        turns = np.linspace(0.01, 1.0, voices * partials).astype(np.float32)
        bend = turns * np.float32(1e-6)
        out = np.empty(voices * frames, np.float32)
        phasors = (np.ones_like(turns), np.zeros_like(turns), np.cos(turns), np.sin(turns))
        arrays = (*phasors, np.cos(bend), np.sin(bend), out)
        return lambda: self._chirping(voices, partials, frames, *arrays)


def sgemm_peak_gflops() -> float:
    """Return the speed of a large square product in single precision."""
    size = 768
    left = np.random.default_rng(1).random((size, size)).astype(np.float32)
    out = np.empty_like(left)
    return 2 * size**3 / median_us(lambda: np.dot(left, left, out=out)) / 1e3


def blas_core() -> str:
    """Return the name of the kernels that the linear algebra library chose."""
    folder = Path(np.__file__).parent.parent / "numpy.libs"
    for library in folder.glob("*openblas*"):
        name = ctypes.CDLL(str(library)).scipy_openblas_get_corename64_
        name.restype = ctypes.c_char_p
        return str(name().decode())
    return "unknown"
