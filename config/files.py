"""Text files read tolerantly and written all or not at all."""

import os
import tempfile
from contextlib import suppress
from pathlib import Path

from config.faults import ConfigError

LARGEST = 1 << 20
"""More is not read: somebody may name ``/dev/zero``, or a recording."""


def read_text(path: Path) -> str:
    """Return the text of a file; a byte-order mark and CRLF line ends are taken off.

    Raises
    ------
    ConfigError
        If it is missing, a folder, unreadable, over 1 MiB, or not UTF-8.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise ConfigError([f"{path}: there is no such file"]) from None
    except IsADirectoryError:
        raise ConfigError([f"{path}: is a folder, not a file"]) from None
    except OSError as error:
        raise ConfigError([f"{path}: cannot be read: {error.strerror}"]) from None
    if len(content) > LARGEST:
        raise ConfigError([f"{path}: is longer than {LARGEST >> 20} MiB; it cannot be meant"])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise ConfigError([f"{path}: line {line}: is not UTF-8 text; save it as UTF-8"]) from None
    return text.replace("\r\n", "\n")


def write_atomic(path: Path, content: bytes | str) -> None:
    """Write a file so that at any moment either the old or the new one is there, whole.

    Raises
    ------
    OSError
        If it cannot be written; then nothing has changed and nothing is left behind.
    """
    raw = content.encode() if isinstance(content, str) else content
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), 0o644)
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
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
