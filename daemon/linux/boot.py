"""The present boot: its name, and how the wall clock relates to the time since power-on.

Units: microseconds.
Threads: any.
"""

import time
from pathlib import Path

from daemon.linux.sysfs import content

SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
"""Source: systemd-timesyncd.service(8): touched whenever the clock is set from the network. The
kernel knows too (adjtimex), but a sandboxed service that asks it is killed."""


def boot_id(path: Path = Path("/proc/sys/kernel/random/boot_id")) -> str:
    """Return the kernel's name of this boot; empty: it has none."""
    return content(path)


def wall_clock_is_set(flag: Path = SYNCHRONISED) -> bool:
    """Return whether the clock was set from outside since power-on: many boards have no battery."""
    return flag.exists()


def wall_clock_ahead_us() -> int:
    """Return by how much the wall clock is ahead of the time since power-on."""
    return (time.time_ns() - time.monotonic_ns()) // 1000
