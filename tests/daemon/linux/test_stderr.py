import ctypes
import os
import subprocess
import sys

import pytest

from daemon.linux.stderr import captured_stderr


def write_from_c(text: bytes) -> None:
    """Write to stderr as a C library does: without Python."""
    ctypes.CDLL(None).write(2, text, len(text))


def test_what_libraries_write_is_kept_back_and_can_be_read(
    capfd: pytest.CaptureFixture[str],
) -> None:
    write_from_c(b"before\n")
    with captured_stderr() as captured:
        write_from_c(b"ALSA lib confmisc.c: cannot find card '0'\n\n")
        write_from_c(b"jack server is not running\n")
    write_from_c(b"after\n")
    assert capfd.readouterr().err == "before\nafter\n"
    assert captured.lines == [
        "ALSA lib confmisc.c: cannot find card '0'",
        "jack server is not running",
    ]


def test_stderr_is_back_after_an_exception(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ValueError, match="in between"), captured_stderr():
        raise ValueError("in between")
    write_from_c(b"heard\n")
    assert capfd.readouterr().err == "heard\n"


def test_it_leaves_no_descriptor_open() -> None:
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        with captured_stderr():
            pass
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_lot_of_noise_blocks_nobody() -> None:
    with captured_stderr() as captured:
        for _ in range(300):
            write_from_c(b"x" * 1023 + b"\n")
    assert len(captured.lines) == 64  # of 1 KiB each; nobody reads more


HUSHED = """
import os, sys
from daemon.linux.stderr import silence_libraries
before = len(os.listdir("/proc/self/fd"))
silence_libraries()
os.write(2, b"from C")
print("from Python", file=sys.stderr)
print(len(os.listdir("/proc/self/fd")) - before)
"""


@pytest.mark.gig
def test_hushed_libraries_are_silent_for_good_and_python_is_not() -> None:
    done = subprocess.run([sys.executable, "-c", HUSHED], capture_output=True, timeout=30)
    assert (done.returncode, done.stderr) == (0, b"from Python\n")
    assert done.stdout == b"1\n"  # Python's own way out, and nothing left open beside it


@pytest.mark.gig
def test_it_works_without_any_stderr() -> None:
    script = (
        "import os; os.close(2)\n"
        "from daemon.linux.stderr import captured_stderr, silence_libraries\n"
        "with captured_stderr(): pass\nsilence_libraries()"
    )
    done = subprocess.run([sys.executable, "-c", script], timeout=30)
    assert done.returncode == 0
