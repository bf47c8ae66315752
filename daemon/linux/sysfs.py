"""What the kernel shows in ``/proc``, ``/sys`` and ``/dev``, any of which may go at any moment.

A plug that is pulled takes its files with it, between one look and the next as well as in the
middle of one: what is gone is nothing here, never a fault.

Threads: any.
"""

import os
from pathlib import Path


def content(path: Path) -> str:
    """Return what a file says; empty: there is none, or it will not say."""
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
    """Return where a link leads in the end; the link itself, where that can't be told."""
    try:
        return Path(os.path.realpath(link))
    except OSError:  # each part is looked at, then read: it may go in between
        return link
