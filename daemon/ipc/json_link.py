"""Two ends of a stream of small JSON objects between two processes.

Shapes: each object travels as a four-byte length and UTF-8 JSON.
Threads: each end belongs to one thread. Sending may wait for the other end to read.
"""

import json
import socket
import struct
from typing import Any, Self

_LENGTH = struct.Struct("<I")


class Link:
    """One end; closed by the other process's death, too.

    Parameters
    ----------
    endpoint
        A connected stream socket; the link closes it.
    """

    def __init__(self, endpoint: socket.socket) -> None:
        self._socket = endpoint
        self._received = bytearray()
        self.open = True
        """Whether the other end was there when last heard."""

    @classmethod
    def pair(cls) -> tuple[Self, Self]:
        """Make both ends."""
        here, there = socket.socketpair()
        return cls(here), cls(there)

    def fileno(self) -> int:
        """Return the descriptor that becomes readable when something has come."""
        return self._socket.fileno()

    def send(self, **fields: Any) -> bool:
        """Send one object; False: the other end is gone."""
        body = json.dumps(fields).encode()
        try:
            self._socket.sendall(_LENGTH.pack(len(body)) + body)
        except OSError:
            self.open = False
        return self.open

    def receive(self) -> list[dict[str, Any]]:
        """Return the whole objects that have come, without waiting; `open` tells the end."""
        while self.open:
            try:
                piece = self._socket.recv(1 << 16, socket.MSG_DONTWAIT)
            except BlockingIOError:
                break
            except OSError:
                piece = b""
            if not piece:
                self.open = False
            self._received += piece
        objects = []
        while len(self._received) >= _LENGTH.size:
            end = _LENGTH.size + _LENGTH.unpack_from(self._received)[0]
            if len(self._received) < end:
                break
            objects.append(json.loads(self._received[_LENGTH.size : end]))
            del self._received[:end]
        return objects

    def close(self) -> None:
        """Close this end."""
        self.open = False
        self._socket.close()
