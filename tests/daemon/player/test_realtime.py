import json
import signal
import subprocess
import sys

import pytest

from daemon.player.realtime import PRIORITY, Grant, summary

SPIN = """
import json, os, sys, time
os.environ['OPENBLAS_NUM_THREADS'] = '1'
from daemon.player import realtime
grants = [*realtime.prepare(), realtime.raise_priority()]
grants.append(realtime.freeze_garbage_collector())
print(json.dumps([list(grant) for grant in grants]), flush=True)
until = time.monotonic() + 1.5
while time.monotonic() < until:
    pass
print(os.sched_getscheduler(0) == os.SCHED_FIFO, sys.getswitchinterval())
"""


def spun() -> tuple[subprocess.CompletedProcess[str], list[Grant]]:
    done = subprocess.run([sys.executable, "-c", SPIN], capture_output=True, text=True, timeout=60)
    return done, [Grant(*fields) for fields in json.loads(done.stdout.splitlines()[0])]


@pytest.mark.gig
def test_a_real_time_thread_that_runs_away_is_ended_by_the_kernel() -> None:
    done, (runaway, *_, priority, _) = spun()
    assert runaway.refused == ""
    if priority.refused:
        # Without the right to real time nothing can run away, and the sound goes on without.
        assert "LimitRTPRIO" in priority.refused
        has_priority, switch_interval = done.stdout.splitlines()[-1].split()
        assert has_priority == "False"
        assert float(switch_interval) == pytest.approx(0.0001)
    else:
        assert done.returncode == -signal.SIGXCPU
        assert len(done.stdout.splitlines()) == 1


@pytest.mark.gig
def test_each_request_is_reported_with_what_became_of_it() -> None:
    _, grants = spun()
    assert [grant.what for grant in grants] == [
        "run-away limit 200 ms",
        "memory locked",
        "switch interval 0.1 ms",
        "BLAS on one thread",
        f"priority FIFO {PRIORITY}",
        "collector frozen",
    ]
    assert str(Grant("memory locked")) == "memory locked"
    assert str(Grant("memory locked", "the limit is 8 KiB")) == "memory locked: the limit is 8 KiB"


def test_one_line_says_what_the_player_got_and_what_was_refused() -> None:
    got = [Grant("memory locked"), Grant("collector frozen")]
    assert summary(got) == "player has memory locked, collector frozen"
    refused = [
        Grant("priority FIFO 70", "Operation not permitted"),
        Grant("BLAS on one thread", "x"),
    ]
    assert summary([*refused, *got]) == (
        "player has memory locked, collector frozen; playing without priority FIFO 70: "
        "Operation not permitted; BLAS on one thread: x"
    )


UNPRIVILEGED = """
import os, resource
resource.setrlimit(resource.RLIMIT_MEMLOCK, (8 << 20, 8 << 20))
resource.setrlimit(resource.RLIMIT_RTPRIO, (0, 0))
os.setgid(65534)
os.setuid(65534)
print(realtime.lock_memory().refused)
print(realtime.raise_priority().refused)
"""


@pytest.mark.gig
def test_without_the_rights_it_says_which_limit_to_lift() -> None:
    script = "import os\nfrom daemon.player import realtime\n" + (
        UNPRIVILEGED if __import__("os").getuid() == 0 else UNPRIVILEGED.replace("os.set", "# ")
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=30
    )
    memory, priority = done.stdout.splitlines()
    assert memory == "the limit is 8192 KiB; LimitMEMLOCK=infinity lifts it"
    assert priority == f"Operation not permitted; LimitRTPRIO={PRIORITY} or more allows it"


PAUSED = """
import json, os, signal, time
from daemon.player import realtime
grants = [realtime.limit_runaway(), realtime.raise_priority(realtime.MAIN_PRIORITY)]
signal.signal(signal.SIGALRM, signal.SIG_IGN)
began, worked, until = time.monotonic(), time.thread_time(), time.monotonic() + 1.0
with realtime.with_pauses():
    while time.monotonic() < until:
        pass
share = (time.thread_time() - worked) / (time.monotonic() - began)
after = signal.getitimer(signal.ITIMER_REAL), signal.getsignal(signal.SIGALRM) == signal.SIG_IGN
print(json.dumps([share, *after, [grant.refused for grant in grants]]))
"""


@pytest.mark.gig
def test_work_with_pauses_leaves_a_third_to_others_and_is_no_run_away() -> None:
    """It takes five times what the run-away limit allows at a stretch."""
    done = subprocess.run(
        [sys.executable, "-c", PAUSED], capture_output=True, text=True, timeout=30
    )
    assert done.returncode == 0, done
    share, timer, restored, _ = json.loads(done.stdout)
    assert share < 0.75
    assert timer == [0.0, 0.0]
    assert restored
