"""How fast the instrument is, beside what else could do the same; run it with `make bench`.

Every figure is the median of many blocks in processor time, one BLAS thread, and every voice of a
load sounds for as long as it is measured (`busy_instrument`). Times say little on another machine;
the ratios to the anchors of the same run (`anchors`) say more, and only they have aims.

Up to 0.2.0 a third of the voices of each load had ended before they were measured, the bank of
``numpy.sin`` was in double precision and made new arrays, and motion was compared with a bank
that stood still: what was published of 16 x 32 x 128 was of eleven voices.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

import platform
import sys
import time
from collections.abc import Callable

import numpy as np

from config.settings import Settings
from tests.bench.anchors import (
    CBanks,
    Work,
    blas_core,
    median_us,
    medians_us,
    sgemm_peak_gflops,
    sine_bank,
)
from tests.support.busy_instrument import (
    RATE,
    Chord,
    assert_busy,
    busy_instrument,
    silent_instrument,
)
from voices.instrument import Instrument
from voices.phases.phasor_tables import shape_of, tables

Shape = tuple[int, int, int]
SHAPES = (
    (4, 11, 128),
    (8, 16, 64),
    (16, 32, 64),
    (16, 32, 128),
    (32, 32, 128),
    (64, 64, 256),
    (128, 64, 256),
)
CHORDS = 40

# At least so many times faster than the numpy.sin bank, and than the C bank.
AIMS = {
    (8, 16, 64): (2.8, 1.2),
    (16, 32, 128): (6.0, 1.7),
    (32, 32, 128): (8.0, 2.0),
    (64, 64, 256): (10.0, 1.8),
    (128, 64, 256): (10.0, 2.1),
}
MOVING_AIMS = {(16, 32, 128): (2.0, 0.7)}
STIFF_AIMS = {(16, 32, 128): (1.1, 0.36)}
MOST_IDLE_US = 5.0
MOST_STRUCK, MOST_RELEASED = 32.0, 22.0
"""Steady blocks of the same voices."""
LEAST_OF_A_PRODUCT = 0.45


class Aims:
    """What was aimed at, and whether any of it was missed."""

    def __init__(self) -> None:
        self.missed = False

    def verdict(self, good: bool) -> str:
        self.missed |= not good
        return "reached" if good else "MISSED"


def block_of(instrument: Instrument) -> Work:
    out = np.zeros((instrument.block_frames, 2), np.float32)
    return lambda: instrument.render(out)


def chord_us() -> tuple[float, float]:
    """Return the time of a block of 64 in which sixteen keys are struck, and released."""
    chord = Chord(silent_instrument(32, 64, polyphony=16))
    chord.costs(time.thread_time_ns)
    costs = np.array([chord.costs(time.thread_time_ns) for _ in range(CHORDS)]) / 1e3
    struck, released = np.median(costs, axis=0).tolist()
    return struck, released


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


def table(
    title: str,
    aims: Aims,
    least: dict[Shape, tuple[float, float]],
    shapes: tuple[Shape, ...],
    c_bank: Callable[[int, int, int], Work],
    *,
    moving: bool = False,
    stretch: float = 0.0,
) -> None:
    """Print the loads of these shapes beside their anchors."""
    print(f"\n{title}, microseconds a block (share of the block's time at {RATE / 1e3:g} kHz)")
    print("voices x partials x frames   instrument          numpy.sin bank       C bank")
    for shape in shapes:
        instrument = busy_instrument(*shape, moving=moving, stretch=stretch)
        ours, sine, phasors = medians_us(block_of(instrument), sine_bank(*shape), c_bank(*shape))
        assert_busy(instrument, *shape[:2], moving=moving)
        share = ours / (shape[2] / RATE * 1e6)
        print(
            f"{named(shape):>22}   {ours:9.1f} ({share:5.1%})   {sine:9.1f} ({sine / ours:5.1f} x)"
            f"   {phasors:8.1f} ({phasors / ours:4.2f} x)",
            end="",
        )
        of_sine, of_phasors = least.get(shape, (0.0, 0.0))
        good = sine / ours >= of_sine and phasors / ours >= of_phasors
        wanted = " and ".join(f"{aim:g} x" for aim in (of_sine, of_phasors) if aim)
        print(f"   at least {wanted}: {aims.verdict(good)}" if wanted else "")


def named(shape: Shape) -> str:
    return " x ".join(map(str, shape))


def main() -> int:
    """Print it all; return 1 where an aim was missed."""
    print(
        f"{platform.machine()}, Python {sys.version.split()[0]}, numpy {np.__version__}, "
        f"BLAS kernels {blas_core()}, one thread"
    )
    aims, banks = Aims(), CBanks()
    table("whole instrument, at rest", aims, AIMS, SHAPES, banks.steady)
    shape = (16, 32, 128)
    for kind, least, stretch in (
        ("", MOVING_AIMS, 0.0),
        (", and a little stiff", STIFF_AIMS, 1e-7),
    ):
        table(
            f"every voice bent and in vibrato{kind} (the C bank chirps)",
            aims,
            least,
            ((16, 32, 64), shape),
            banks.chirping,
            moving=True,
            stretch=stretch,
        )
    print("\nlouder than the ceiling, so that the limiter is at work")
    for each in ((16, 32, 64), shape):
        loads = busy_instrument(*each), busy_instrument(*each, limiting=True)
        quiet, loud = medians_us(*map(block_of, loads))
        assert_busy(loads[1], *each[:2], limiting=True)
        print(f"{named(each):>22}   {loud:9.1f}, {loud - quiet:.1f} more than below")
    steady = median_us(block_of(busy_instrument(16, 32, 64)))
    struck, released = chord_us()
    print(
        f"\na chord of 16 notes of 32 partials struck in one block of 64 frames, out of silence: "
        f"{struck:.0f}, {struck / steady:.1f} steady blocks of them, at most {MOST_STRUCK:g}: "
        f"{aims.verdict(struck <= MOST_STRUCK * steady)}\n"
        f"the same released in one block: {released:.0f}, {released / steady:.1f} steady blocks, "
        f"at most {MOST_RELEASED:g}: {aims.verdict(released <= MOST_RELEASED * steady)}"
    )
    idle = Instrument(Settings(), sample_rate=RATE, block_frames=128)
    nothing = median_us(block_of(idle))
    print(
        f"nothing sounding: {nothing:.2f}, at most {MOST_IDLE_US:g}: "
        f"{aims.verdict(nothing < MOST_IDLE_US)}"
    )
    ours, peak = oscillators_gflops(128, 64, 256), sgemm_peak_gflops()
    print(
        f"oscillators alone, 128 x 64 x 256: {ours:.1f} useful Gflop/s, "
        f"{ours / peak:.0%} of the {peak:.1f} of a large sgemm, at least "
        f"{LEAST_OF_A_PRODUCT:.0%}: {aims.verdict(ours / peak >= LEAST_OF_A_PRODUCT)}"
    )
    return int(aims.missed)


if __name__ == "__main__":
    sys.exit(main())
