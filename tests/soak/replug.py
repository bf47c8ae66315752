"""Soak: a controller pulled and plugged in again and again, at the whole daemon, over JACK.

``python tests/soak/replug.py [CYCLES]``, 1,000 by default. Notes are held at every
pull. It fails when one hangs, when hearing the controller again takes a second or more (p99), or
when descriptors, threads, JACK clients or memory grow.
"""

import subprocess
import sys
import time

from tests.support.daemon_process import Daemon, belongings
from tests.support.stage import staged
from tests.support.virtual_controller import VirtualController
from tests.support.waiting import wait_until

CYCLES = 1_000
_WARM = 20
"""Cycles after which everything that is kept has been made."""
_GROWTH = 2_000_000
"""Bytes that a thousand cycles may add to keeper and player together."""


def main(cycles: int) -> int:
    """Pull and plug; return 0 when all was as it should be."""
    with staged() as daemon:
        return _cycles(daemon, cycles)


def _cycles(daemon: Daemon, cycles: int) -> int:
    noticed, again = [], []
    with VirtualController() as keys:
        daemon.says("controller connected")
        first: dict[str, int] = {}
        for cycle in range(cycles):
            daemon.hears(keys)
            daemon.plays(keys, 60, 64, 67)
            pulled = time.monotonic()
            keys.pull()
            wait_until(lambda: not daemon.status()["controllers"])
            noticed.append(time.monotonic() - pulled)
            daemon.sounds(0)
            keys.plug()
            plugged = time.monotonic()
            wait_until(lambda: daemon.status()["controllers"])
            again.append(time.monotonic() - plugged)
            if cycle == min(_WARM, cycles // 2):
                first = held(daemon)
            if cycle % 100 == 99:
                print(f"{cycle + 1} cycles: {held(daemon)}", flush=True)
        last = held(daemon)
        notes = daemon.status()["notes"]
    grown = {what: last[what] - first[what] for what in first}
    print(f"loss noticed within {percentile(noticed, 99):.3f} s (p99), {max(noticed):.3f} at most")
    print(f"connected again within {percentile(again, 99):.3f} s (p99), {max(again):.3f} at most")
    accounts = notes["accounts"]
    print(f"grown: {grown}; notes cut {accounts['cut']}, sounding {accounts['sounding']}")
    print(f"{keys.crashes} pulls crashed the controller's process, in JACK's library")
    memory = grown.pop("bytes")
    lost = notes["received"] != sum(accounts.values()) or accounts["cut"] != 3 * cycles
    lost = lost or accounts["sounding"] != 0
    slow = percentile(again, 99) >= 1.0
    return int(any(grown.values()) or memory > _GROWTH or lost or slow)


def held(daemon: Daemon) -> dict[str, int]:
    """Return what the processes and the server hold, with the controller plugged in."""
    everything = belongings(daemon)
    listed = subprocess.run(["jack_lsp"], capture_output=True, text=True, check=True).stdout
    return everything | {"clients": len({line.split(":")[0] for line in listed.splitlines()})}


def percentile(figures: list[float], percent: float) -> float:
    """Return the figure that so many percent do not exceed."""
    return sorted(figures)[max(0, -int(-len(figures) * percent // 100) - 1)]


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else CYCLES))
