"""How fast the instrument is, beside what else could do the same; run it with `make bench`.

Every figure is the median of many blocks, one BLAS thread. Times say little on another machine;
the ratios to the anchors of the same run say more.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

import platform
import sys

import numpy as np

from config.settings import Settings
from tests.bench.anchors import blas_core, c_bank, median_us, sgemm_peak_gflops, sine_bank_us
from tests.support.busy_instrument import RATE, busy_instrument
from voices.instrument import Instrument
from voices.synthesis.phasor_tables import shape_of, tables

SHAPES = (
    (4, 11, 128),
    (8, 16, 64),
    (16, 32, 128),
    (32, 32, 128),
    (64, 64, 256),
    (128, 64, 256),
)

# At least so many times faster than the numpy.sin bank, and than the C bank.
TARGETS = {
    (8, 16, 64): (2.0, 0.0),
    (16, 32, 128): (0.0, 1.0),
    (32, 32, 128): (0.0, 1.0),
    (64, 64, 256): (0.0, 1.3),
    (128, 64, 256): (15.0, 1.3),
}


def verdict(good: bool) -> str:
    return "reached" if good else "MISSED"


def render_us(instrument: Instrument) -> float:
    out = np.zeros((instrument.block_frames, 2), np.float32)
    return median_us(lambda: instrument.render(out))


def oscillators_gflops(voices: int, partials: int, frames: int) -> float:
    """Return the useful speed of the stacked product alone: 4 operations a partial and frame."""
    turns = np.linspace(0.001, 0.49, voices * partials).reshape(voices, partials)
    made = tables(turns, np.zeros_like(turns), frames)
    rows, columns = shape_of(frames)
    out = np.empty((voices, rows, columns), np.float32)
    left = made.rows.view(np.float32)
    return (
        4
        * voices
        * partials
        * frames
        / median_us(lambda: np.matmul(left, made.columns, out=out))
        / 1e3
    )


def main() -> None:
    print(
        f"{platform.machine()}, Python {sys.version.split()[0]}, numpy {np.__version__}, "
        f"BLAS kernels {blas_core()}, one thread"
    )
    c_bank_us = c_bank()
    print("\nwhole instrument, microseconds a block (share of the block's time at 48 kHz)")
    print("voices x partials x frames   instrument          numpy.sin bank       C bank")
    for shape in SHAPES:
        ours, sine, phasors = (
            render_us(busy_instrument(*shape)),
            sine_bank_us(*shape),
            c_bank_us(*shape),
        )
        share = ours / (shape[2] / RATE * 1e6)
        print(
            f"{' x '.join(map(str, shape)):>22}   {ours:9.1f} ({share:5.1%})"
            f"   {sine:9.1f} ({sine / ours:5.1f} x)   {phasors:8.1f} ({phasors / ours:4.2f} x)",
            end="",
        )
        least = TARGETS.get(shape, (0.0, 0.0))
        aims = [f"{aim:g} x" for aim in least if aim]
        good = sine / ours >= least[0] and phasors / ours >= least[1]
        print(f"   at least {' and '.join(aims)}: {verdict(good)}" if aims else "")
    shape = (16, 32, 128)
    ours, sine = render_us(busy_instrument(*shape, moving=True)), sine_bank_us(*shape)
    print(
        f"\nevery voice bent and in vibrato, 16 x 32 x 128: {ours:.1f}, numpy.sin bank {sine:.1f} "
        f"({sine / ours:.1f} x), at least 2 x: {verdict(sine / ours >= 2)}"
    )
    idle = Instrument(Settings(), sample_rate=RATE, block_frames=128)
    nothing = render_us(idle)
    print(f"nothing sounding: {nothing:.2f}, at most 5: {verdict(nothing < 5)}")
    ours, peak = oscillators_gflops(128, 64, 256), sgemm_peak_gflops()
    print(
        f"oscillators alone, 128 x 64 x 256: {ours:.1f} useful Gflop/s, "
        f"{ours / peak:.0%} of the {peak:.1f} of a large sgemm, at least 45%: "
        f"{verdict(ours / peak >= 0.45)}"
    )


if __name__ == "__main__":
    main()
