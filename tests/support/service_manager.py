"""A service manager's end of sd_notify(3), and when each line came."""

import socket
import time
from types import TracebackType
from typing import Self

PING = "WATCHDOG=1"


class Manager:
    """A bound socket; what comes is read when asked for.

    Parameters
    ----------
    address
        What NOTIFY_SOCKET must be: a path, or an abstract name behind an ``@``.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address.replace("@", "\0") if address.startswith("@") else address)
        self._socket.setblocking(False)
        self._told: list[tuple[float, str]] = []

    def told(self) -> list[str]:
        """Return all datagrams so far."""
        try:
            while True:
                self._told.append((time.monotonic(), self._socket.recv(4096).decode()))
        except BlockingIOError:
            return [text for _, text in self._told]

    def count(self, line: str) -> int:
        """Return how often a line came."""
        return sum(text.split("\n").count(line) for text in self.told())

    def moments(self, line: str) -> list[float]:
        """Return when a line was read, in seconds of the monotonic clock."""
        self.told()
        return [at_s for at_s, text in self._told if line in text.split("\n")]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._socket.close()
