"""The anchors of the benchmark: what else could compute the same partials, in the same run.

Units: microseconds a block. Shapes: V voices of P partials, T frames.
"""

import ctypes
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

# A bank of rotating phasors, the partials innermost so that the compiler can vectorise them.
C_BANK = r"""
void bank(int voices, int partials, int frames, float *re, float *im,
          const float *cr, const float *ci, float *out)
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
"""


def median_us(work: Callable[[], object], seconds: float = 0.4) -> float:
    """Return the median time of one call, in microseconds."""
    work()
    times: list[float] = []
    end = time.perf_counter() + seconds
    while time.perf_counter() < end or len(times) < 5:
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return float(np.median(times) * 1e6)


def sine_bank_us(voices: int, partials: int, frames: int) -> float:
    """Return the time of ``numpy.sin`` of every partial, voice by voice."""
    phases = np.random.default_rng(1).random((voices, partials, 1))
    steps = np.linspace(0.01, 1.0, voices * partials).reshape(voices, partials, 1)
    levels = np.ones(partials)
    ramp = np.arange(frames)

    def work() -> None:
        total = np.zeros(frames)
        for voice in range(voices):
            total += levels @ np.sin(steps[voice] * ramp + phases[voice])

    return median_us(work)


def c_bank() -> Callable[[int, int, int], float]:
    """Compile the C bank and return a function that times it."""
    folder = Path(tempfile.mkdtemp(prefix="bench"))
    source, library = folder / "bank.c", folder / "bank.so"
    source.write_text(C_BANK)
    flags = ["-O3", "-march=native", "-ffast-math", "-shared", "-fPIC"]
    subprocess.run(["cc", *flags, "-o", library, source], check=True)
    bank = ctypes.CDLL(str(library)).bank
    pointer = np.ctypeslib.ndpointer(np.float32, flags="C")
    bank.argtypes = [ctypes.c_int] * 3 + [pointer] * 5
    bank.restype = None

    def c_bank_us(voices: int, partials: int, frames: int) -> float:
        turns = np.linspace(0.01, 1.0, voices * partials).astype(np.float32)
        cosine, sine = np.cos(turns), np.sin(turns)
        real, imaginary = np.ones_like(turns), np.zeros_like(turns)
        out = np.empty(voices * frames, np.float32)
        shape = (voices, partials, frames)
        return median_us(lambda: bank(*shape, real, imaginary, cosine, sine, out))

    return c_bank_us


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
