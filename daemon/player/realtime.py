"""Real-time settings of the player process: priority, memory, limits, interpreter.

Units: priorities 1 to 99 of the FIFO class; the limits in microseconds.
Threads: `prepare` on the player's main thread before the stream starts; `raise_priority` in the
audio callback's first call, for its thread, and once blocks come on the main thread, for itself.

Everything here may be refused, and the player goes on without: each request returns what it got.
Never in the keeper: the run-away limit ends the whole process.
"""

import ctypes
import gc
import os
import resource
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import NamedTuple

PRIORITY = 70
"""The audio thread's."""
MAIN_PRIORITY = 1
"""The main thread's: below every other of its class, but above all that has none. Had it to queue
for a processor while it holds the interpreter's lock, the audio thread would have to wait with it:
up to 7 ms on a board with one core that still boots (measured)."""
WORK_S, PAUSE_S = 0.0002, 0.0003
RUNAWAY_US = 200_000, 400_000
"""Real-time CPU time without a pause after which the kernel ends the process (soft, hard). A thread
of PortAudio whose USB card was pulled spins for ever at its real-time priority."""
_SWITCH_INTERVAL_S = 1e-4
# MCL_CURRENT | MCL_FUTURE | MCL_ONFAULT (mlock(2)); without ONFAULT all mapped memory, not only
# what is used, becomes resident: 322 instead of 66 MiB (measured).
_LOCK_FLAGS = 7
_CAP_IPC_LOCK = 14


class Grant(NamedTuple):
    """One setting that was requested."""

    what: str
    refused: str = ""
    """Why not; empty: granted."""

    def __str__(self) -> str:
        """Return it as part of a log line."""
        return f"{self.what}: {self.refused}" if self.refused else self.what


def prepare() -> list[Grant]:
    """Set up the process; return what was granted and what was refused."""
    sys.setswitchinterval(_SWITCH_INTERVAL_S)
    interval = Grant(f"switch interval {1000 * sys.getswitchinterval():g} ms")
    return [limit_runaway(), lock_memory(), interval, one_blas_thread()]


def freeze_garbage_collector() -> Grant:
    """Keep the garbage collector off existing objects, and switch it off."""
    gc.collect()
    gc.freeze()
    gc.disable()
    return Grant("collector frozen")


def summary(grants: Sequence[Grant]) -> str:
    """Return in one line what was granted and what was refused."""
    granted = ", ".join(grant.what for grant in grants if not grant.refused)
    refused = "; ".join(str(grant) for grant in grants if grant.refused)
    return f"player has {granted}" + f"; playing without {refused}" * bool(refused)


def one_blas_thread() -> Grant:
    """Report whether matrix products stay on the thread that computes them.

    The library reads the variable once, when numpy is imported.
    """
    what = "BLAS on one thread"
    if os.environ.get("OPENBLAS_NUM_THREADS") == "1":
        return Grant(what)
    return Grant(what, "OPENBLAS_NUM_THREADS was not 1 when it was started")


def limit_runaway() -> Grant:
    """Have the kernel end this process when a real-time thread spins."""
    what = f"run-away limit {RUNAWAY_US[0] // 1000} ms"
    try:
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # an intended end leaves no dump
        resource.setrlimit(resource.RLIMIT_RTTIME, RUNAWAY_US)
    except (OSError, ValueError) as error:
        return Grant(what, str(error))
    return Grant(what)


def lock_memory() -> Grant:
    """Keep every page in memory once it has been touched."""
    what = "memory locked"
    limit = resource.getrlimit(resource.RLIMIT_MEMLOCK)[0]
    if limit != resource.RLIM_INFINITY and not _may_lock_any():
        # Locking within a finite limit would make a later allocation fail while playing.
        return Grant(what, f"the limit is {limit >> 10} KiB; LimitMEMLOCK=infinity lifts it")
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mlockall(_LOCK_FLAGS) != 0:
        return Grant(what, os.strerror(ctypes.get_errno()))
    return Grant(what)


def raise_priority(priority: int = PRIORITY) -> Grant:
    """Put the calling thread into the FIFO class."""
    what = f"priority FIFO {priority}"
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except OSError as error:
        return Grant(what, f"{error.strerror}; LimitRTPRIO={priority} or more allows it")
    return Grant(what)


@contextmanager
def with_pauses() -> Iterator[None]:
    """Let the main thread pause in long work, `PAUSE_S` after every `WORK_S`.

    What has no real-time priority gets the processor in the pauses: the keeper, too, that brings
    the notes. A note may wait for one `WORK_S`, less than the margin in the delay of all notes. And
    the run-away limit counts from the latest pause.
    """
    before = signal.signal(signal.SIGALRM, lambda *_: time.sleep(PAUSE_S))
    signal.setitimer(signal.ITIMER_REAL, WORK_S, WORK_S + PAUSE_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def _may_lock_any() -> bool:
    try:
        with open("/proc/self/status") as status:
            for line in status:
                if line.startswith("CapEff:"):
                    return bool(int(line.split()[1], 16) >> _CAP_IPC_LOCK & 1)
    except OSError:
        pass
    return False
