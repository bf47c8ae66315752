"""A watch on folders: the kernel reports at once what comes, goes or is written in them.

Threads: the main loop's alone.

It only shortens the wait: the caller also polls, since a folder may be missing, a file system may
report no changes, and the kernel may have no watches left.
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
    """A watch on folders, readable when something has changed in one.

    Parameters
    ----------
    folders
        Missing ones are watched once they exist.

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
        self._watch_missing()

    def fileno(self) -> int:
        """Return the descriptor that becomes readable."""
        return int(self._descriptor)

    def _watch_missing(self) -> None:
        """Watch the folders that were missing and exist now."""
        for folder in set(self._folders) - set(self._watched.values()):
            number = self._library.inotify_add_watch(
                self._descriptor, os.fsencode(folder), _MASK | _ONLY_FOLDERS
            )
            if number >= 0:
                self._watched[number] = folder

    def changed(self) -> set[Path]:
        """Return the paths that have changed since the last call."""
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
        self._watch_missing()
        return paths

    def close(self) -> None:
        """Stop watching."""
        os.close(self._descriptor)
