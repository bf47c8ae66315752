"""The program as a process, from any folder, whether or not it is installed."""

import os
import signal
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]


def command(*words: object) -> list[str]:
    """Return the command line that runs the program."""
    return [sys.executable, "-m", "daemon", *map(str, words)]


def environment(*, front: Path | None = None, **more: str) -> dict[str, str]:
    """Return an environment to run it in; ``front`` is searched first for modules."""
    path = os.pathsep.join(str(folder) for folder in (front, ROOT) if folder)
    return {**os.environ, "PYTHONPATH": path, "COLUMNS": "79", **more}


def fault_of(done: "subprocess.CompletedProcess[str]", code: int = 1) -> str:
    """Return the one line in which a run has said why it failed, and only there."""
    assert (done.returncode, done.stdout) == (code, ""), done
    (line,) = done.stderr.splitlines()
    assert line.startswith("partiald: ")
    return line


def partiald(
    *words: object, cwd: Path, front: Path | None = None, **more: str
) -> "subprocess.CompletedProcess[str]":
    """Run the program to its end."""
    return subprocess.run(
        command(*words),
        cwd=cwd,
        env=environment(front=front, **more),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        # As in a terminal: whoever started the tests may have switched Ctrl-C off for all below.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
