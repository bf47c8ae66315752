"""Text files, read tolerantly and written atomically."""

import fcntl
import os
from contextlib import suppress
from pathlib import Path

from config.toml.faults import ConfigError

LARGEST = 1 << 20
"""No more is read: somebody may name ``/dev/zero``, or a recording."""
_PART = ".part"


def read_text(path: Path) -> str:
    """Return the text of a file, without a byte-order mark and with LF line ends.

    Raises
    ------
    ConfigError
        If it is missing, a folder, unreadable, over 1 MiB, or not UTF-8.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise ConfigError([f"{path}: no such file"]) from None
    except IsADirectoryError:
        raise ConfigError([f"{path}: is a folder, not a file"]) from None
    except OSError as error:
        raise ConfigError([f"{path}: can't be read: {error.strerror}"]) from None
    if len(content) > LARGEST:
        raise ConfigError([f"{path}: is longer than {LARGEST >> 20} MiB, so it is not read"])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise ConfigError([f"{path}: line {line}: is not UTF-8 text; save it as UTF-8"]) from None
    return text.replace("\r\n", "\n")


def write_atomic(path: Path, content: bytes | str) -> None:
    """Write a file so that at any moment either the old or the new one exists, whole.

    Raises
    ------
    OSError
        If it cannot be written; then nothing has changed and nothing is left behind. The next
        write of that file removes what a killed writer left.
    """
    raw = content.encode() if isinstance(content, str) else content
    _clear_away(path)
    handle, name = _fresh(path)
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), 0o644)
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
            # Before it is closed, which releases the lock.
            os.replace(name, path)
    except BaseException:
        with suppress(FileNotFoundError):
            os.unlink(name)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _fresh(path: Path) -> tuple[int, str]:
    """Make a file beside another, locked until it is closed."""
    # Not by `tempfile`, which would import three libraries of compression into every process.
    while True:
        name = f"{path.parent}/{_beginning(path)}{os.urandom(4).hex()}{_PART}"
        handle = os.open(name, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        fcntl.flock(handle, fcntl.LOCK_EX)
        if os.path.exists(name):
            return handle, name
        os.close(handle)  # another writer removed it as abandoned before it was locked


def _clear_away(path: Path) -> None:
    """Remove what killed writers of a file left beside it; live writers hold a lock."""
    names: list[str] = []
    with suppress(OSError):
        names = os.listdir(path.parent)
    for name in names:
        if not (name.startswith(_beginning(path)) and name.endswith(_PART)):
            continue
        with suppress(OSError):
            left = path.parent / name
            handle = os.open(left, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC)
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                os.unlink(left)
            finally:
                os.close(handle)


def _beginning(path: Path) -> str:
    """Return how the names of what is written beside a file begin."""
    return f".{path.name}."
