"""The one daemon's place in the runtime folder: its lock, and where its socket goes.

The lock is held as long as the daemon runs, so that no second one starts; a killed daemon's is
free.
"""

import fcntl
import os
import stat
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from daemon.errors import RunError

_SYSTEM = Path("/run/partiald")
_WRITTEN_TRIES = 50


def places(environment: Mapping[str, str] = os.environ) -> list[Path]:
    """Return where the socket may be, the likeliest first.

    systemd names the runtime folder (RUNTIME_DIRECTORY); a daemon started by hand uses the
    system's or the user's.
    """
    given = environment.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if given:
        return [Path(given) / "control"]
    user = environment.get("XDG_RUNTIME_DIR", "")
    own = Path(user) / "partiald" if user else Path(f"/tmp/partiald-{os.getuid()}")
    return [_SYSTEM / "control", own / "control"]


def trusted_users(folder: Path, own: int | None = None) -> set[int]:
    """Return the users whose files in a runtime folder are believed; none: anybody's folder.

    Root, ourselves (``own``), and the owner of a folder that only root can have made, as systemd
    makes the service's in /run. In /tmp anybody can make one, of any name.
    """
    own = os.getuid() if own is None else own
    try:
        status, above = folder.lstat(), folder.parent.stat()
    except OSError:
        return set()
    made_by_root = above.st_uid == 0 and not above.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
    if not stat.S_ISDIR(status.st_mode) or not (status.st_uid in (0, own) or made_by_root):
        return set()
    return {0, own, status.st_uid}


class InstanceLock:
    """The right to be the one daemon here: a lock beside the socket.

    Parameters
    ----------
    paths
        Where the socket may go; None: the usual places.
    own
        The user who runs it; None: the process's.

    Raises
    ------
    RunError
        When another daemon has it, or no folder for the socket can be used.
    """

    def __init__(self, paths: Sequence[Path] | None = None, own: int | None = None) -> None:
        paths = places() if paths is None else paths
        for other in paths:
            holder = _holder(other, own)
            if holder:
                raise _taken(holder)
        faults = []
        for path in paths:
            try:
                self.descriptor = _take(path, own)
                """The lock is held until every copy of this is closed: no child may have one."""
            except OSError as error:
                faults.append(f"{path.parent}: {error.strerror or error}")
                continue
            self.path = path
            """Where the socket goes."""
            return
        raise RunError("no folder for the control socket: " + "; ".join(faults))

    def release(self) -> None:
        """Let another daemon start."""
        os.close(self.descriptor)


def _lock_path(path: Path) -> Path:
    return path.with_name("lock")


def _holder(path: Path, own: int | None) -> str:
    """Return the process that holds the lock beside a socket; empty: none."""
    try:
        lock = os.open(_lock_path(path), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return ""
    try:
        # A stranger's lock keeps nobody from playing.
        if os.fstat(lock).st_uid in trusted_users(path.parent, own):
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return _written(lock)
    except OSError:
        return ""
    finally:
        os.close(lock)
    return ""


def _written(lock: int) -> str:
    """Return which process holds a lock; it says so in the file just after it has taken it."""
    for _ in range(_WRITTEN_TRIES):
        if holder := os.pread(lock, 32, 0).strip():
            return holder.decode() if holder.isdigit() else "unknown"
        time.sleep(0.01)
    return "unknown"


def _taken(holder: str) -> RunError:
    return RunError(f"already running as process {holder}; 'partiald status' asks it")


def _take(path: Path, own: int | None) -> int:
    """Make the folder and take the lock in it."""
    folder = path.parent
    folder.mkdir(mode=0o750, parents=True, exist_ok=True)
    status = folder.lstat()
    # In a folder of anybody's, another user could have put a folder of this name there before us.
    users = (0, os.getuid() if own is None else own)
    if not stat.S_ISDIR(status.st_mode) or status.st_uid not in users:
        raise PermissionError(0, "belongs to another user")
    # Not for everybody: who may read it could hold it, and keep the daemon from starting.
    lock = os.open(_lock_path(path), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o640)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        holder = _written(lock)
        os.close(lock)
        raise _taken(holder) from error
    os.ftruncate(lock, 0)
    os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
    return lock
