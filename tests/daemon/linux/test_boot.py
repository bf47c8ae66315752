"""This boot, and the time of day where it is known."""

import time
from pathlib import Path

from daemon.linux.boot import wall_clock_ahead_us, wall_clock_is_set


def test_the_clock_counts_as_set_only_once_something_has_set_it(tmp_path: Path) -> None:
    flag = tmp_path / "synchronized"
    assert not wall_clock_is_set(flag)
    flag.touch()
    assert wall_clock_is_set(flag)


def test_the_time_since_power_on_and_how_far_the_clock_is_ahead_make_the_time_of_day() -> None:
    now_us = time.monotonic_ns() // 1000 + wall_clock_ahead_us()
    assert abs(now_us - time.time_ns() // 1000) < 1_000_000
