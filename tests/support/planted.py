"""A runtime folder that a stranger has made where anybody can make one."""

import os
from pathlib import Path

OWN = os.getuid() + 1
"""Whoever finds it: neither root nor the folder's owner."""
_NOBODY = 65_534


def planted(folder: Path) -> Path:
    """Make a folder in one like /tmp, and return it."""
    folder.parent.chmod(0o1777)
    folder.mkdir(mode=0o755)
    if os.getuid() == 0:  # root's own folder would be believed
        os.chown(folder, _NOBODY, _NOBODY)
    return folder
