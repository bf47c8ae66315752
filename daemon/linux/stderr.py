"""Standard error, without the lines that sound and MIDI libraries write to it from C.

Threads: the descriptor belongs to the whole process, so what another thread writes to descriptor 2
meanwhile is captured as well. Use `captured_stderr` before threads start, or `silence_libraries`
once for good.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

_STDERR = 2


class CapturedLines:
    """What was captured."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        """The lines, once the `with` block is left."""


@contextmanager
def captured_stderr() -> Iterator[CapturedLines]:
    """Capture what is written to descriptor 2 inside the ``with`` block."""
    captured = CapturedLines()
    if sys.stderr is not None:
        sys.stderr.flush()
    try:
        saved = os.dup(_STDERR)
    except OSError:  # closed from the start: nothing can be written
        yield captured
        return
    # A file, not a pipe: nobody needs to read while a library writes.
    catcher = os.memfd_create("stderr", os.MFD_CLOEXEC)
    try:
        os.dup2(catcher, _STDERR)
        yield captured
    finally:
        os.dup2(saved, _STDERR)
        os.close(saved)
        size = os.fstat(catcher).st_size
        text = os.pread(catcher, min(size, 1 << 16), 0).decode("utf-8", "replace")
        captured.lines = [line.strip() for line in text.splitlines() if line.strip()]
        os.close(catcher)


def silence_libraries() -> None:
    """Discard whatever C code writes from now on; Python's `sys.stderr` still works."""
    try:
        own = os.dup(_STDERR)
    except OSError:
        return
    if sys.stderr is not None:
        sys.stderr.flush()
    # Line buffered, as the interpreter's own standard error.
    sys.stderr = os.fdopen(own, "w", buffering=1, errors="backslashreplace")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, _STDERR)
    os.close(nowhere)
