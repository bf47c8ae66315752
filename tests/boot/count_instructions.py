"""What a block costs in instructions, on a virtual board whose clock counts them.

Runs inside the guest: ``python3 -m tests.boot.count_instructions SHIFT``. Instructions are not
cycles: how long they take depends on a board's caches and pipelines, so calibrate on one before
speaking of milliseconds. Two runs agree within 1 %; the limits are what it takes now, and a little.

Up to 0.2.0 a third of the voices of each load had ended before they were counted: 16 x 32 x 128
had eleven, took 189 thousand instead of 235, and in motion 730 instead of 874, where 750 were the
aim.

Harmonic voices in motion are read along their phase: sixteen cost 200 for their samples, each in
a piece of a period that is found (80) and evaluated (120), and 40 for what they share. In vain:
straight lines or parabolas instead of cubics (60 and 30 less, for two to sixteen times the memory);
the four coefficients one by one (37 more); phases in integers (as much again for the fractions).
For a sound of more than two series it costs more than the other ways.

A channel in motion that is read along its warped time costs some 330 thousand before its first
partial, at 128 frames: about twenty small array operations of 4 to 25, and 30 to 50 for the product
by the taps. In vain: matrices for 64 frames (30 more, to pack them) or for 16 (as much again in
calls); taps out of a table, straight between its rows (as many operations); a product with matrices
that lie the other way (twice as much). Mixing the voices first would leave one product for all of
them, but their levels are curves in time as it is heard, not as it is read. For what dies away a
second product, by the decays, would be exact to second order at any place, and costs 100 more than
tables that lean. A group that is alone is read from 16 partials on: 300 less where a sound has a
small bank besides (struck strings and bars). How many rows of tables are drawn differs from block
to block: single blocks of one load are up to 50 apart. Also in vain: factors of the rows by powers
of one step instead of a series for each (84 more, for numpy looks for overlaps at every slice).

A knob on its way costs most where it is the ratios of partials that it moves, each by its own
part: of a block's 1,050 thousand, 550 are chirps, 130 the smoother, and 90 more are its messages.
Without the first order of the deviation, a quarter of the chirps, sines of 5 kHz are out by -55 dB;
with it by -110. In vain: even and odd halves of the columns apart (half the multiplications, but
twice the products, whose own cost is as high); the second product over half of the partials (as
much again in calls); conjugates by their imaginary parts; the half turns from the block before by
three terms of a series (as dear as sines); slopes in the rows instead of in the deviation, or in
what a frame is in radians (no less); conjugates by flipped bits or signs (a third more); the cycles
of partials by sums instead of small products (half as much again), and those of the keys without a
product (12 more); the smoother going through a block value by value instead of period by period (10
less, for twenty lines more). Columns that are kept for some blocks where the knob is slow would
save 90 in three blocks of four, but not in the dearest one, and by -100 dB they are out after one.

A sound that is led to another costs most by its product, 270 of a block's 980 thousand: twice that
of one at rest, for what grows has rows of its own. In vain: the factors of the state as pairs of
numbers (20 more than as complex ones).
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import statistics
import sys
import time
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from config.settings import Settings
from config.sound import Sound
from tests.bench.anchors import blas_core
from tests.support.busy_instrument import (
    KEYS_A_CHANNEL,
    Chord,
    assert_busy,
    busy_instrument,
    silent_instrument,
)
from voices.instrument import Instrument

# Thousands of instructions that a block may cost ...
LIMITS = {
    (4, 11, 128): 132,
    (8, 16, 64): 136,
    (16, 32, 64): 196,
    (16, 32, 128): 262,
    (32, 32, 128): 412,
    (64, 64, 256): 1950,
}
MOVING_LIMITS = {
    **{(16, 32, 64, 12): 360, (16, 32, 128, 12): 480, (16, 32, 128, 16): 440},
    **{(16, 32, 128, 1): 700, (16, 64, 128, 12): 480},
}
"""... with every voice bent and in vibrato, so many of them on a channel, ..."""
STIFF_LIMITS = {(16, 32, 64, 12): 805, (16, 32, 128, 12): 990, (16, 32, 128, 16): 790}
"""... the same where the partials are no harmonic series ..."""
TURNING_LIMITS = {"stretch": 1185, "morph": 1135}
"""... and with a knob on its way on both channels, told in every block; a morph on both sides,
which in motion would cost 1,130 ..."""
LIMITING_LIMITS = {(16, 32, 64): 308, (16, 32, 128): 438}
"""... and with the limiter at work."""
SOUND_LIMITS = {
    ("market-organ", False): 335,
    ("market-organ", True): 400,
    ("string-section", False): 550,
    ("string-section", True): 600,
}
"""Sixteen held notes of the sound that is played unless another is chosen, and of the dearest, in
their room; with the tremulant or without ..."""
BENT_LIMITS = {
    **{"market-organ": 835, "reed-organ": 540, "bowed-string": 580, "sung-vowels": 1020},
    **{"plucked-string": 1900, "plucked-gut": 1840, "struck-string": 1950},
    **{"struck-bar": 815, "small-bars": 950, "metal-bars": 950, "steel-comb": 930},
    **{
        "string-celeste": 700,
        "hand-bell": 880,
        "tower-bell": 1050,
        "string-section": 1720,
        "low-reed": 540,
    },
}
"""... and bent and in vibrato, all on one channel."""
STRUCK, CHORD_STRUCK, CHORD_RELEASED, IDLE = 48, 1280, 970, 17
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


def busy(
    shape: Sequence[int],
    *,
    moving: bool = False,
    limiting: bool = False,
    keys_a_channel: int = KEYS_A_CHANNEL,
    stretch: float = 0.0,
) -> float:
    """Return the cost of a block of a load that sounds from first to last."""
    voices, partials, frames = shape
    instrument = busy_instrument(
        *(voices, partials, frames),
        moving=moving,
        limiting=limiting,
        keys_a_channel=keys_a_channel,
        stretch=stretch,
    )
    cost = block(instrument)
    assert_busy(instrument, voices, partials, moving=moving, limiting=limiting)
    return cost


def turned(target: str) -> float:
    """Return the cost of a block of 16 x 32 x 128, messages included, while a knob turns."""
    made, sounds = {"stretch": stretching, "morph": morphing}[target]()
    binding = {"control": 20, "target": target}
    settings = Settings.model_validate({"polyphony": 16, "bindings": [binding], **made})
    instrument = Instrument(settings, sample_rate=48_000, block_frames=128, sounds=sounds)
    out = np.zeros((128, 2), np.float32)
    for voice in range(16):
        instrument.take((0x90 | voice // 12, 24 + voice % 12, 100), voice)
    positions = iter(range(128))

    def turn() -> None:
        position = next(positions)
        for channel in range(2):
            instrument.take((0xB0 | channel, 20, position))
        instrument.render(out)

    for _ in range(60):
        turn()
    assert (instrument.sounding, instrument.partials) == (16, 512)
    return thousands(turn)


def stretching() -> tuple[dict[str, Any], dict[str, Sound]]:
    """Return settings, and a sound whose strings a knob makes stiffer."""
    return {"sound": {"name": "one"}}, {"one": sound_of(partials={"count": 32, "level_db": 0.0})}


def morphing() -> tuple[dict[str, Any], dict[str, Sound]]:
    """Return settings, and a sound that a knob leads to another: 24 partials, and 8 more."""
    ratios = [*range(1, 13), *range(25, 33)]
    sounds = {
        "one": sound_of(ranks=[{"harmonics": 24, "slope_db": -3.0}]),
        "other": sound_of(ranks=[{"ratios": ratios}]),
    }
    return {"sound": {"name": "one", "morph": "other"}, "room": {"level_db": -80.0}}, sounds


def sound_of(**more: Any) -> Sound:
    """Return a quiet sound that is held for as long as the measurement takes."""
    return Sound.model_validate({"title": "B", "about": "B.", "level_db": -60.0, **more})


def held_sound(name: str, *, tremulant: bool = False, bent: bool = False) -> float:
    """Return the cost of a block of 64 frames of sixteen held notes of a shipped sound."""
    settings = Settings.model_validate({"sound": {"name": name}, "polyphony": 16})
    instrument = Instrument(settings, sample_rate=48_000, block_frames=64)
    instrument.take((0xB0, 92, 127 * tremulant))
    if bent:
        instrument.take((0xB0, 1, 127))
        instrument.take((0xE0, 0, 80))
    out = np.zeros((64, 2), np.float32)
    for key in range(60, 76):
        instrument.take((0x90, key, 100), key - 60)
    # Noise and shadows of the onset are gone after four seconds, or all but gone after 1.2, when
    # wooden bars still ring.
    for _ in range(900 if bent else 3000):
        instrument.render(out)
    assert (instrument.sounding, instrument.moving) == (16, bent)
    return block(instrument)


def tell(what: str, cost: float, limit: float) -> bool:
    """Print a cost beside its limit; return whether it is within."""
    verdict = "within" if cost <= limit else "OVER"
    print(f"{what:40} {cost:8.1f}   {verdict} {limit:g}", flush=True)
    return cost <= limit


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
        assert instrument.sounding == polyphony  # what was stolen has faded
        message, first, second = ((end - begin) >> SHIFT for begin, end in pairwise(marks))
        struck.append(message)
        more.append(first - second)
        if polyphony > 7:
            instrument.take((0xBF, 120, 0))
            for _ in range(3):
                instrument.render(out)
    return statistics.median(struck) / 1e3, statistics.median(more) / 1e3


def chord(instrument: Instrument) -> tuple[float, float]:
    """Return what a chord of sixteen costs in one block, with its messages, struck and released."""
    played = Chord(instrument)
    costs = [played.costs(time.perf_counter_ns) for _ in range(6)][1:]
    struck, released = (statistics.median(each) for each in zip(*costs, strict=True))
    return (int(struck) >> SHIFT) / 1e3, (int(released) >> SHIFT) / 1e3


def main() -> None:
    print(f"numpy {np.__version__}, BLAS kernels {blas_core()}; thousands of instructions a block")
    within = True
    for shape, limit in LIMITS.items():
        within &= tell(named(shape), busy(shape), limit)
    for kind, limits, stretch in (("", MOVING_LIMITS, 0.0), ("stiff ", STIFF_LIMITS, 1e-7)):
        for (*moved, alike), limit in limits.items():
            cost = busy(moved, moving=True, keys_a_channel=alike, stretch=stretch)
            within &= tell(f"{kind}{named(moved)}, bending, {alike} a channel", cost, limit)
    for target, limit in TURNING_LIMITS.items():
        within &= tell(f"16 x 32 x 128, {target} turning", turned(target), limit)
    for shape, limit in LIMITING_LIMITS.items():
        within &= tell(f"{named(shape)}, limiting", busy(shape, limiting=True), limit)
    struck, more = note_on(8)
    within &= tell("a note of 32 partials struck", struck, STRUCK)
    print(f"{'  and what it adds to its first block':40} {more:8.1f}")
    struck, more = note_on(7)
    print(f"{'  the same when it steals a voice':40} {struck:8.1f}, and {more:.1f}")
    struck, released = chord(silent_instrument(32, 64, polyphony=16))
    within &= tell("a chord of 16 in one block of 64", struck, CHORD_STRUCK)
    within &= tell("  the same released in one block", released, CHORD_RELEASED)
    eight = busy_instrument(8, 32, 64)
    eight.apply(eight.settings.model_copy(update={"polyphony": 32}))
    struck, released = chord(eight)
    print(f"{'  with eight others sounding':40} {struck:8.1f}, and {released:.1f} released")
    for (name, tremulant), limit in SOUND_LIMITS.items():
        swings = ", tremulant" if tremulant else ""
        cost = held_sound(name, tremulant=tremulant)
        within &= tell(f"16 held of {name}{swings}", cost, limit)
    for name, limit in BENT_LIMITS.items():
        within &= tell(f"16 held of {name}, bent", held_sound(name, bent=True), limit)
    struck, released = chord(Instrument(Settings(), sample_rate=48_000, block_frames=64))
    print(f"{'a chord of 16 of the default sound':40} {struck:8.1f}, and {released:.1f} released")
    silent = Instrument(Settings(), sample_rate=48_000, block_frames=128)
    within &= tell("nothing sounding", block(silent), IDLE)
    sys.exit(not within)


def named(shape: Sequence[int]) -> str:
    return " x ".join(map(str, shape))


if __name__ == "__main__":
    main()
