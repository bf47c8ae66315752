"""The kernel's files in ``/proc``, ``/sys`` and ``/dev``, any of which may go at any moment.

A plug that is pulled takes its files with it, even in the middle of a read: here what is gone is
empty, never a fault.

Threads: any.
"""

import os
from pathlib import Path


def content(path: Path) -> str:
    """Return a file's text; empty: it is missing or unreadable."""
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""


def matching(folder: Path, pattern: str) -> list[Path]:
    """Return the paths below a folder that match, in order."""
    try:
        return sorted(folder.glob(pattern))
    except OSError:
        return []


def target(link: Path) -> Path:
    """Return where a link leads in the end; the link itself, if that can't be resolved."""
    try:
        return Path(os.path.realpath(link))
    except OSError:  # each part is checked, then read: it may go in between
        return link
