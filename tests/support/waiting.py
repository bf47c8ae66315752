"""Waiting for other processes without guessing how long they take."""

import time
from collections.abc import Callable


def wait_until(condition: Callable[[], object], timeout_s: float = 5.0) -> None:
    """Wait until a condition is true; fail when it is not in time."""
    until = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < until, f"not within {timeout_s} s"
        time.sleep(0.005)
