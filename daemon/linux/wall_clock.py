"""The wall clock, and whether it is right: many boards have none that outlives the power.

Units: microseconds.
"""

import time
from pathlib import Path

SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Source: systemd-timesyncd.service(8): touched whenever the clock is set from the network. The
kernel would tell too (adjtimex), but a sandboxed service that asks it is killed."""


def is_right(told_by: Path = SYNCHRONISED) -> bool:
    """Return whether something has set the clock from outside since power-on."""
    return told_by.exists()


def ahead_us() -> int:
    """Return by how much the wall clock is ahead of the time since power-on."""
    return (time.time_ns() - time.monotonic_ns()) // 1000
