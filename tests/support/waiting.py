"""Waiting for other processes without guessing how long they take."""

import subprocess
import time
from collections.abc import Callable
from threading import Timer
from typing import TypeVar

T = TypeVar("T")


def wait_until(condition: Callable[[], T], timeout_s: float = 5.0) -> T:
    """Wait until a condition is true, and return what it is; fail when it is not in time."""
    until = time.monotonic() + timeout_s
    while not (found := condition()):
        assert time.monotonic() < until, f"not within {timeout_s} s"
        time.sleep(0.005)
    return found


def next_line(process: "subprocess.Popen[str]", timeout_s: float = 20.0) -> str:
    """Return the next line that a process writes; one that writes none in time is killed."""
    assert process.stdout is not None
    timer = Timer(timeout_s, process.kill)
    timer.start()
    try:
        line = process.stdout.readline()
    finally:
        timer.cancel()
    assert line, f"it ended, or said nothing within {timeout_s} s"
    return line
