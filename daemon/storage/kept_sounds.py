"""Sounds that were shaped here: files that partiald writes for its owner, and takes back.

Units: none. Threads: composing belongs to the main loop, writing to the thread of
`daemon.storage.deferred_writes`.

Promise: a file is written whole or not at all. Only what begins with `MARK` is ever taken away:
what an owner has put into the same folder is not ours.
"""

import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from config.toml.files import write_atomic
from daemon.storage.deferred_writes import Write
from daemon.storage.event_file import state_folder
from daemon.storage.sound_text import text_of

MARK = "# Kept by partiald; yours to edit. 'partiald forget' takes it away."
MOST = 200
"""Files that are written at most: a card is no place for a flood."""
ROOM = 64 * 1024
"""Bytes that must be free: more than any sound's file takes."""


class KeptSounds:
    """The folder of kept sounds.

    Parameters
    ----------
    folder
        Where they are; None: in the daemon's own folder.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder or state_folder() / "sounds"

    @property
    def folder(self) -> Path:
        """Where they are."""
        return self._folder

    def path(self, name: str) -> Path:
        """Return the file of a kept sound."""
        return self._folder / f"{name}.toml"

    def names(self) -> list[str]:
        """Return the kept sounds, in order."""
        found = []
        for path in sorted(self._folder.glob("[!.]*.toml")):
            with suppress(OSError, UnicodeDecodeError), path.open(encoding="utf-8") as file:
                if file.readline().rstrip("\n") == MARK:
                    found.append(path.stem)
        return found

    def may_write(self, name: str) -> str:
        """Return why a sound can't be kept under a name; empty: it can."""
        path = self.path(name)
        folder = self._folder if self._folder.is_dir() else self._folder.parent
        if not os.access(folder, os.W_OK):
            return f"{folder}: can't be written to: write-protected, or somebody else's"
        if _room(folder) < ROOM:
            return f"{folder}: no room is left on the card; 'df -h' shows it"
        ours = self.names()
        if path.exists() and name not in ours:
            return f"{path}: was not kept by partiald; take another name"
        if len(ours) >= MOST and name not in ours:
            return f"{self._folder}: holds {MOST} kept sounds; 'partiald forget' takes them away"
        return ""

    def write(self, name: str, table: Mapping[str, Any], text: str = "") -> Write:
        """Return what writes a sound, from its table or from a text that holds it."""
        content = text or text_of(table)
        if not content.startswith(MARK):
            content = f"{MARK}\n{content}"

        def write() -> None:
            self._folder.mkdir(exist_ok=True)
            write_atomic(self.path(name), content)

        return write

    def remove(self) -> Write:
        """Return what takes every kept sound away."""

        def write() -> None:
            for name in self.names():
                self.path(name).unlink(missing_ok=True)

        return write


def _room(folder: Path) -> int:
    """Return how many bytes are free where a folder is."""
    try:
        found = os.statvfs(folder)
    except OSError:
        return ROOM  # then writing says what is wrong
    return found.f_bavail * found.f_frsize
