"""The lines that sound and MIDI libraries write to stderr from C, kept away from the user.

Threads: the descriptor belongs to the whole process, so whatever another thread writes to
descriptor 2 meanwhile is taken too. Use `quiet` before threads start, or `hush` once for good.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager

_STDERR = 2


class Noise:
    """What was kept back."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        """The libraries' lines, complete once the `with` block is left."""


@contextmanager
def quiet() -> Iterator[Noise]:
    """Keep back what is written to descriptor 2 inside the ``with`` block."""
    noise = Noise()
    if sys.stderr is not None:
        sys.stderr.flush()
    try:
        kept = os.dup(_STDERR)
    except OSError:  # closed from the start: nothing can be written
        yield noise
        return
    # A file, not a pipe: nobody has to read while a library writes.
    catcher = os.memfd_create("noise", os.MFD_CLOEXEC)
    try:
        os.dup2(catcher, _STDERR)
        yield noise
    finally:
        os.dup2(kept, _STDERR)
        os.close(kept)
        size = os.fstat(catcher).st_size
        text = os.pread(catcher, min(size, 1 << 16), 0).decode("utf-8", "replace")
        noise.lines = [line.strip() for line in text.splitlines() if line.strip()]
        os.close(catcher)


def hush() -> None:
    """Keep back everything that C code will ever write; Python's `sys.stderr` still works."""
    try:
        own = os.dup(_STDERR)
    except OSError:
        return
    if sys.stderr is not None:
        sys.stderr.flush()
    # Line by line, as the interpreter's own standard error.
    sys.stderr = os.fdopen(own, "w", buffering=1, errors="backslashreplace")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, _STDERR)
    os.close(nowhere)
