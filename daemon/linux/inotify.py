"""Folders in which something may come, go or be written: the kernel tells at once.

Threads: the main loop's alone.

It only shortens the wait: whoever watches also looks from time to time, since a folder may be
missing, a file system silent about its changes, and the kernel without a watch to give.
"""

import ctypes
import os
import struct
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

# Numbers of include/uapi/linux/inotify.h.
_ATTRIB, _CLOSE_WRITE, _MOVED_FROM, _MOVED_TO = 0x04, 0x08, 0x40, 0x80
_CREATE, _DELETE, _DELETE_SELF, _ONLY_FOLDERS = 0x100, 0x200, 0x400, 0x01000000
_IGNORED = 0x8000
_MASK = _ATTRIB | _CLOSE_WRITE | _MOVED_FROM | _MOVED_TO | _CREATE | _DELETE | _DELETE_SELF
_EVENT = struct.Struct("=iIII")
_READ_BYTES = 1 << 16


class DirectoryWatch:
    """A watch on folders, readable when something has happened in one.

    Parameters
    ----------
    folders
        Those that are missing are watched once they are there.

    Raises
    ------
    OSError
        When the kernel has no more watches.
    """

    def __init__(self, folders: Sequence[Path]) -> None:
        self._library = ctypes.CDLL(None, use_errno=True)
        self._folders = list(dict.fromkeys(folders))
        self._watched: dict[int, Path] = {}
        self._descriptor = self._library.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if self._descriptor < 0:
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
        self.renew()

    def fileno(self) -> int:
        """Return what becomes readable."""
        return int(self._descriptor)

    def renew(self) -> None:
        """Watch what was missing and is there now."""
        for folder in set(self._folders) - set(self._watched.values()):
            number = self._library.inotify_add_watch(
                self._descriptor, os.fsencode(folder), _MASK | _ONLY_FOLDERS
            )
            if number >= 0:
                self._watched[number] = folder

    def changed(self) -> set[Path]:
        """Return the paths to which something has happened since the last call."""
        content = b""
        with suppress(BlockingIOError):
            content = os.read(self._descriptor, _READ_BYTES)
        paths, at = set(), 0
        while at + _EVENT.size <= len(content):
            number, mask, _, length = _EVENT.unpack_from(content, at)
            at += _EVENT.size
            name = content[at : at + length].rstrip(b"\0")
            at += length
            if folder := self._watched.get(number):
                paths.add(folder / os.fsdecode(name))
            if mask & _IGNORED:
                self._watched.pop(number, None)
        self.renew()
        return paths

    def close(self) -> None:
        """Watch no more."""
        os.close(self._descriptor)
