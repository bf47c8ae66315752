import mmap
import os
import random
import signal
import statistics
import time
from dataclasses import dataclass, field

import pytest

from daemon.ipc.counters import (
    BINS,
    SharedCounters,
    Snapshot,
    Timing,
    bin_of,
    bin_us,
    percentile_us,
)
from voices.notes.note_count import ACCOUNTS


@dataclass
class Books:
    received: int = 0
    layered: int = 0
    booked: dict[str, int] = field(default_factory=lambda: dict.fromkeys(ACCOUNTS, 0))

    def accounts(self) -> dict[str, int]:
        return self.booked


@dataclass
class Meter:
    frame: int = 0
    peaks: tuple[float, float] = (0.0, 0.0)
    sounding: int = 0
    partials: int = 0
    ledger: Books = field(default_factory=Books)


def timing() -> Timing:
    return Timing(sample_rate=48_000, block_frames=128)


def test_zeroed_memory_is_a_board_that_is_not_ready() -> None:
    counters = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
    assert counters.snapshot() == Snapshot()
    assert not counters.snapshot().ready


def test_a_snapshot_holds_everything_that_was_published() -> None:
    counters = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
    books = Books(11, 2, {name: place for place, name in enumerate(ACCOUNTS)})
    meter = Meter(128_000, (0.25, 0.125), 5, 70, books)
    state = Timing(48_000, 128, 3, 2, 1, faults=4, sounding_peak=7, max_us=900)
    state.error = "ValueError: 5 Hz — Kürze".encode()
    counters.publish(meter, state)
    seen = counters.snapshot()
    assert seen.ready
    assert (seen.blocks, seen.underflows, seen.late_events, seen.faults) == (3, 2, 1, 4)
    assert (seen.frame, seen.sample_rate, seen.block_frames) == (128_000, 48_000, 128)
    assert (seen.sounding, seen.sounding_peak, seen.partials, seen.received) == (5, 7, 70, 11)
    assert seen.peaks == (0.25, 0.125)
    assert seen.accounts == books.booked
    assert seen.last_error == "ValueError: 5 Hz — Kürze"
    assert seen.deadline_us == 2666  # 128 frames at 48 kHz
    counters.clear()
    assert counters.snapshot() == Snapshot()


def test_a_damaged_copy_is_passed_over_for_the_whole_one_before_it() -> None:
    memory = memoryview(bytearray(SharedCounters.SIZE))
    counters, state, books = SharedCounters(memory), timing(), Books()
    for blocks in (1, 2):
        before = bytes(memory)
        state.blocks = books.received = blocks
        counters.publish(Meter(ledger=books), state)
    # A byte that the latest publishing changed, as if it had stopped in the middle.
    changed = next(at for at, byte in enumerate(before) if memory[at] != byte)
    memory[changed] ^= 0xFF
    assert counters.snapshot().received == 1
    for at in range(0, SharedCounters.SIZE, 8):
        memory[at] ^= 0xFF
    assert counters.snapshot() == Snapshot()


def test_an_error_longer_than_its_field_is_cut() -> None:
    counters = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
    state = Timing(48_000, 128, blocks=1, error=b"x" * 1000)
    counters.publish(Meter(), state)
    assert set(counters.snapshot().last_error) == {"x"}


@pytest.mark.parametrize("render_us", [0, 1, 15, 16, 17, 100, 1000, 2667, 60_000])
def test_a_bin_reports_its_upper_end_at_most_an_eighth_above(render_us: int) -> None:
    counts = [0] * BINS
    counts[bin_of(render_us)] = 1
    reported = percentile_us(tuple(counts), 0.5)
    assert render_us <= reported <= render_us * 9 / 8


def test_bins_never_fall_and_end_at_the_last() -> None:
    bins = [bin_of(render_us) for render_us in range(300_000)]
    assert bins == sorted(bins)
    assert set(range(BINS)) == set(bins)


def test_percentiles_agree_with_sorted_times() -> None:
    counters = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
    chance, state = random.Random(5), timing()
    times = [int(chance.lognormvariate(5, 1)) for _ in range(2000)]
    for render_us in times:
        state.blocks += 1
        state.render_us = render_us
        state.max_us = max(state.max_us, render_us)
        counters.publish(Meter(), state)
    seen = counters.snapshot()
    exact = statistics.quantiles(times, n=100, method="inclusive")
    assert exact[49] * 0.99 <= seen.p50_us <= exact[49] * 1.14
    assert exact[98] * 0.95 <= seen.p99_us <= exact[98] * 1.14
    assert seen.render_us(1.0) == max(times)


def publish_for_ever(counters: SharedCounters) -> None:
    """Every figure of one publishing is the same number, so that a torn copy shows."""
    state, meter = timing(), Meter()
    while True:
        state.blocks += 1
        n = state.blocks
        state.underflows = state.late_events = state.sounding_peak = n
        meter.frame = meter.sounding = meter.partials = meter.ledger.received = n
        meter.ledger.booked = dict.fromkeys(ACCOUNTS, n)
        counters.publish(meter, state)


@pytest.mark.gig
def test_a_snapshot_is_never_torn_not_even_by_a_killed_writer() -> None:
    memory = mmap.mmap(-1, SharedCounters.SIZE)
    counters, last = SharedCounters(memoryview(memory)), 0
    for _ in range(5):
        counters.clear()
        child = os.fork()
        if child == 0:
            publish_for_ever(counters)
        until, last = time.monotonic() + 0.1, 0
        while time.monotonic() < until or not last:
            seen = counters.snapshot()
            assert set(seen.accounts.values()) == {seen.blocks}
            assert {seen.underflows, seen.frame, seen.sounding, seen.received} == {seen.blocks}
            assert seen.blocks >= last
            last = seen.blocks
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        seen = counters.snapshot()
        assert seen.blocks >= last > 0
        assert set(seen.accounts.values()) == {seen.blocks}


def test_the_middle_of_a_bin_is_near_every_time_that_falls_into_it() -> None:
    for render_us in (0, 5, 15, 16, 100, 1_333, 40_000, 200_000):
        assert bin_us(bin_of(render_us)) == pytest.approx(render_us, rel=0.07, abs=0.01)


def test_the_longest_times_have_a_bin_in_both_histograms() -> None:
    counters, state = SharedCounters(memoryview(bytearray(SharedCounters.SIZE))), timing()
    state.render_us = state.entry_us = 10**9
    state.blocks = 1
    counters.publish(Meter(), state)
    seen = counters.snapshot()
    assert seen.render_counts == seen.entry_counts == (*[0] * (BINS - 1), 1)
