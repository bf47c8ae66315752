"""What a block costs in instructions, on a virtual board whose clock counts them.

Runs inside the guest: ``python3 -m tests.boot.count_instructions SHIFT``. Instructions are not
cycles: how long they take depends on a board's caches and pipelines, so calibrate on one before
speaking of milliseconds.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import statistics
import sys
import time
from collections.abc import Callable
from itertools import pairwise

import numpy as np

from config.settings import Settings
from tests.bench.anchors import blas_core
from tests.support.busy_instrument import busy_instrument
from voices.instrument import Instrument

# Thousands of instructions that a block may cost.
TARGETS = {
    (4, 11, 128): 110,
    (8, 16, 64): 130,
    (16, 32, 128): 260,
    (32, 32, 128): 420,
    (64, 64, 256): 1800,
}
SHIFT = int(sys.argv[1]) if len(sys.argv) > 1 else 0


def thousands(work: Callable[[], object], times: int = 25) -> float:
    """Return the median cost of a call in thousands of instructions."""
    work()
    costs = []
    for _ in range(times):
        start = time.perf_counter_ns()
        work()
        costs.append((time.perf_counter_ns() - start) >> SHIFT)
    return statistics.median(costs) / 1e3


def block(instrument: Instrument) -> float:
    out = np.zeros((instrument.block_frames, 2), np.float32)
    return thousands(lambda: instrument.render(out))


def tell(what: str, cost: float, target: float) -> bool:
    """Print a cost beside its target; return whether it is within."""
    verdict = "within" if cost <= target else "OVER"
    print(f"{what:38} {cost:8.1f}   {verdict} {target:g}", flush=True)
    return cost <= target


def note_on(polyphony: int) -> tuple[float, float]:
    """Return the cost of striking a note of 32 partials: the message, and what its block adds.

    Seven voices sound already; with a polyphony of 7 one of them is stolen each time.
    """
    instrument = busy_instrument(7, 32, 128)
    instrument.apply(instrument.settings.model_copy(update={"polyphony": polyphony}))
    out = np.zeros((128, 2), np.float32)
    struck, more = [], []
    for key in range(60, 84):
        for _ in range(3):
            instrument.render(out)
        marks = [time.perf_counter_ns()]
        instrument.take((0x9F, key, 100), 17)
        marks.append(time.perf_counter_ns())
        instrument.render(out)
        marks.append(time.perf_counter_ns())
        instrument.render(out)
        marks.append(time.perf_counter_ns())
        message, first, second = ((end - begin) >> SHIFT for begin, end in pairwise(marks))
        struck.append(message)
        more.append(first - second)
        if polyphony > 7:
            instrument.take((0xBF, 120, 0))
            for _ in range(3):
                instrument.render(out)
    return statistics.median(struck) / 1e3, statistics.median(more) / 1e3


def chord() -> tuple[float, float]:
    """Return what a chord of sixteen costs in one block, with its messages, struck and let go.

    Eight voices of 32 partials sound besides; 64 frames.
    """
    instrument = busy_instrument(8, 32, 64)
    instrument.apply(instrument.settings.model_copy(update={"polyphony": 32}))
    out = np.zeros((64, 2), np.float32)
    costs: dict[int, list[float]] = {0x90: [], 0x80: []}
    for _ in range(5):
        for status, taken in costs.items():
            for _ in range(5):
                instrument.render(out)
            begun = time.perf_counter_ns()
            for key in range(60, 76):
                instrument.take((status | 15, key, 100), key - 60)
            instrument.render(out)
            taken.append((time.perf_counter_ns() - begun) >> SHIFT)
        instrument.take((0xBF, 120, 0))
    struck, let_go = (statistics.median(taken) / 1e3 for taken in costs.values())
    return struck, let_go


def main() -> None:
    print(f"numpy {np.__version__}, BLAS kernels {blas_core()}; thousands of instructions a block")
    within = True
    for shape, target in TARGETS.items():
        within &= tell(" x ".join(map(str, shape)), block(busy_instrument(*shape)), target)
    within &= tell(
        "16 x 32 x 128, everything bending", block(busy_instrument(16, 32, 128, moving=True)), 750
    )
    struck, more = note_on(8)
    within &= tell("a note of 32 partials struck", struck, 40)
    print(f"{'  and what it adds to its first block':38} {more:8.1f}")
    struck, more = note_on(7)
    print(f"{'  the same when it steals a voice':38} {struck:8.1f}, and {more:.1f}")
    struck, let_go = chord()
    print(f"{'a chord of 16 in one block of 64':38} {struck:8.1f}, and {let_go:.1f} to let it go")
    silent = Instrument(Settings(), sample_rate=48_000, block_frames=128)
    within &= tell("nothing sounding", block(silent), 15)
    sys.exit(not within)


if __name__ == "__main__":
    main()
