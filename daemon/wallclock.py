"""The wall clock, and whether it is right: many boards have none that outlives the power.

Units: microseconds.
"""

import ctypes
import time
from pathlib import Path

_TIME_ERROR = 5
_SYNCHRONISED = Path("/run/systemd/timesync/synchronized")


def is_right() -> bool:
    """Return whether something keeps the clock in step with the world's.

    Source: adjtimex(2), whose state is TIME_ERROR until then; where a service may not ask it, the
    file that systemd-timesyncd.service(8) leaves once it has set the clock.
    """
    if _SYNCHRONISED.exists():
        return True
    query = ctypes.create_string_buffer(512)  # struct timex with no modes: only asks
    state = int(ctypes.CDLL(None).adjtimex(query))
    return 0 <= state < _TIME_ERROR


def ahead_us() -> int:
    """Return by how much the wall clock is ahead of the time since power-on."""
    return (time.time_ns() - time.clock_gettime_ns(time.CLOCK_MONOTONIC)) // 1000
