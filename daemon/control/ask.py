"""The client of the control socket: a request to the running daemon, and its reply.

Units: seconds.
Threads: any but the daemon's; it waits.

A reply is believed only from root, from ourselves, or from whoever owns a folder that root made:
anybody can put a socket into /tmp. All its text is printable.
"""

import json
import socket
import struct
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from config.toml.printable import printable
from daemon.control.instance_lock import places, trusted_users
from daemon.errors import RunError

NOBODY = (
    "partiald is not running; start it with 'partiald run', "
    "or see 'systemctl status partiald' if it is installed as a service"
)
_CREDENTIALS = struct.Struct("=3i")  # process, user, group: unix(7), SO_PEERCRED


class Conversation:
    """A connection to the running daemon, for one request after another; for ``with``.

    Parameters
    ----------
    paths
        Where the socket may be; None: the usual places.
    timeout_s
        How long the daemon may take.
    own
        The user who asks; None: the process's.

    Raises
    ------
    RunError
        When none runs, or it may not be asked or is not to be believed.
    """

    def __init__(
        self, paths: Sequence[Path] | None = None, timeout_s: float = 2.0, own: int | None = None
    ) -> None:
        self._timeout_s = timeout_s
        self._wire, self._path = _connected(places() if paths is None else paths, timeout_s)
        self._lines = self._wire.makefile("rb")
        if _server_user(self._wire) not in trusted_users(self._path.parent, own):
            self.close()
            raise RunError(f"{self._path}: belongs to another user, so it is not asked")

    def __enter__(self) -> "Conversation":
        """Return itself."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the connection."""
        self.close()

    def close(self) -> None:
        """End it."""
        self._lines.close()
        self._wire.close()

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Ask one of `daemon.control.requests.Request`, as plain values; return the reply.

        Raises
        ------
        RunError
            When the daemon does not answer, or not as asked.
        """
        try:
            self._wire.sendall(json.dumps(request).encode() + b"\n")
            reply = _printable(json.loads(self._lines.readline()))
        except (OSError, ValueError, RecursionError) as error:
            silent = f"{self._path}: partiald did not answer within {self._timeout_s} s"
            raise RunError(silent) from error
        if not isinstance(reply, dict) or "error" in reply:
            raise RunError(f"{self._path}: {reply}")
        return reply


def ask(
    request: Mapping[str, Any],
    paths: Sequence[Path] | None = None,
    timeout_s: float = 2.0,
    own: int | None = None,
) -> dict[str, Any]:
    """Ask the running daemon one thing; as `Conversation`, and `Conversation.ask`."""
    with Conversation(paths, timeout_s, own) as daemon:
        return daemon.ask(request)


def _connected(paths: Sequence[Path], timeout_s: float) -> tuple[socket.socket, Path]:
    """Return a connection to the first socket at which somebody listens."""
    for path in paths:
        wire = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        wire.settimeout(timeout_s)
        try:
            _connect(wire, path, timeout_s)
        except PermissionError as error:
            wire.close()
            raise RunError(
                f"{path}: not allowed; try as root, or as a member of the socket's group"
            ) from error
        except OSError:
            wire.close()
            continue
        return wire, path
    raise RunError(NOBODY)


def _server_user(wire: socket.socket) -> int:
    """Return the user whose process listens at the other end."""
    content = wire.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    return int(_CREDENTIALS.unpack(content)[1])


def _printable(plain: Any) -> Any:
    """Return plain values with all their text printable."""
    if isinstance(plain, str):
        return printable(plain)
    if isinstance(plain, list):
        return [_printable(each) for each in plain]
    if isinstance(plain, dict):
        return {printable(key): _printable(each) for key, each in plain.items()}
    return plain


def _connect(wire: socket.socket, path: Path, timeout_s: float) -> None:
    """Connect; while too many others do at the same moment, try again."""
    until_s = time.monotonic() + timeout_s
    while True:
        try:
            wire.connect(str(path))
        except BlockingIOError:
            if time.monotonic() > until_s:
                raise
            time.sleep(0.01)
        else:
            return
