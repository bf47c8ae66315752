"""Where the instructions of a block go, line by line, on a virtual board whose clock counts them.

Runs inside the guest: ``python3 -m tests.boot.line_instructions SHIFT``. The tracing itself costs
some at every line; as much as at an empty one is taken off each time.

Motion is what was hardest to make cheap. What was tried, in thousands of instructions for a block
of 16 x 32 x 128 of which eleven voices sounded (for all sixteen a fifth more): sines and cosines
for every row, 2,440; powers of a few turns, even and odd halves apart, 1,220; rows and their lines
as one product, 1,170; the phases of all cells as one small product, 960; the whole arc of the phase
as a factor after the product instead of its line in each row, 850, and the error of a partial of
4.4 kHz -83 dB instead of -69; powers shared by two cells that meet, 780; room that is kept, calls
into numpy that are one, 728. Cells twice as long left spurs of -73 dBc where -75 is the limit.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import linecache
import statistics
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np

import voices
from tests.support.busy_instrument import busy_instrument

SHIFT = int(sys.argv[1]) if len(sys.argv) > 1 else 0
VOICES = str(Path(voices.__file__).parent)
TIMES = 8
SHOWN = 40

Line = tuple[str, int]


class Costs:
    """The instructions between one event of the interpreter's tracing and the next, by line."""

    def __init__(self) -> None:
        self.of: dict[Line, int] = defaultdict(int)
        self.times: dict[Line, int] = defaultdict(int)
        self._line: Line | None = None
        self._since = 0

    def trace(self, frame: FrameType, event: str, argument: object) -> Any:
        now = time.perf_counter_ns()
        name = frame.f_code.co_filename
        if not name.startswith(VOICES) and name != __file__:
            return None
        if self._line is not None:
            self.of[self._line] += (now - self._since) >> SHIFT
            self.times[self._line] += 1
        self._line = (name, frame.f_lineno if event == "line" else 0)
        self._since = time.perf_counter_ns()
        return self.trace


def empty_lines() -> int:
    a = 1
    b = 2
    return a + b


def tell(what: str, work: Callable[[], object]) -> None:
    """Print the dearest lines of ``work``, medians of several calls."""
    work()
    runs = []
    for _ in range(TIMES):
        costs = Costs()
        sys.settrace(costs.trace)
        empty_lines()
        work()
        sys.settrace(None)
        runs.append(costs)
    empty = [line for line in runs[0].of if line[0] == __file__ and line[1]]
    tracing = min(run.of[line] / run.times[line] for run in runs for line in empty)
    lines = {line for run in runs for line in run.of if line[0] != __file__}
    own = {
        line: statistics.median(run.of[line] - tracing * run.times[line] for run in runs)
        for line in lines
    }
    print(f"\n{what}: {sum(own.values()) / 1e3:.0f} thousand instructions, of which")
    for name, number in sorted(own, key=lambda line: -own[line])[:SHOWN]:
        source = linecache.getline(name, number).strip() or "(entered and left)"
        place = f"{Path(name).name}:{number}"
        print(f"{own[name, number] / 1e3:8.1f}  {place:18} {source[:90]}", flush=True)


def main() -> None:
    out = np.zeros((128, 2), np.float32)
    for voice_count, partials, moving in ((4, 11, False), (16, 32, False), (16, 32, True)):
        instrument = busy_instrument(voice_count, partials, 128, moving=moving)
        what = f"{voice_count} x {partials} x 128{', everything bending' if moving else ''}"
        tell(what, lambda instrument=instrument: instrument.render(out))  # type: ignore[misc]
    instrument = busy_instrument(8, 32, 128)
    keys = iter(range(60, 84))

    def strike() -> None:
        instrument.take((0x9F, next(keys), 100), 17)
        instrument.render(out)

    tell("a note of 32 partials struck, and its first block", strike)


if __name__ == "__main__":
    main()
