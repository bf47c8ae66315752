"""Idle time: how much of the processors' time nobody wants.

Units: shares of the latest stretch of time, 0 to 1; hundredths of a second.
Threads: one.

Source: proc(5), ``/proc/stat``: of each processor state the time since the boot, in hundredths of
a second; the fourth is idle, the fifth waits for a disk.
"""

from pathlib import Path

from daemon.linux.sysfs import content

STAT = Path("/proc/stat")
STRETCH = 5
"""Less is not worth a share, for it is counted in steps of 1."""


class IdleTime:
    """The idle share of the time since it was made, and from then on since the last answer."""

    def __init__(self, path: Path = STAT) -> None:
        self._path = path
        self._idle, self._all = self._read()
        self._share = 0.0 if self._all else 1.0

    def share(self) -> float:
        """Return the share that was idle; 0: not known yet, 1: the kernel tells nothing."""
        idle, everything = self._read()
        if everything - self._all >= STRETCH:
            self._share = (idle - self._idle) / (everything - self._all)
            self._idle, self._all = idle, everything
        return self._share

    def _read(self) -> tuple[int, int]:
        words = content(self._path).partition("\n")[0].split()[1:9]
        times = [int(word) for word in words if word.isdecimal()]
        return sum(times[3:5]), sum(times)
