"""Two ends of a stream of messages between two processes.

Units: seconds.
Shapes: each message travels as a four-byte length and UTF-8 JSON.
Threads: each end belongs to one thread.

Promise: sending never waits for the other end. What finds no room is kept and goes with the next
`Link.flush`: of settings the latest alone, of what may be lost the latest `MOST_WAITING`.
"""

import select
import socket
import struct
import time
from contextlib import suppress
from typing import Self

from daemon.ipc.messages import (
    Cue,
    Exclusive,
    LogLine,
    Message,
    NewSettings,
    Reply,
    decoded,
    encoded,
)

MOST_WAITING = 256
_MAY_BE_LOST = (Exclusive, Cue, LogLine, Reply)
_LENGTH = struct.Struct("<I")


class Link:
    """One end; closed by the other process's death, too.

    Parameters
    ----------
    endpoint
        A connected stream socket; the link closes it.
    """

    def __init__(self, endpoint: socket.socket) -> None:
        endpoint.setblocking(False)
        self._socket = endpoint
        self._received = bytearray()
        self._waiting: list[Message] = []
        self._leaving = bytearray()
        self._heard = True
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

    @property
    def sending(self) -> bool:
        """Whether something waits until the descriptor is writable; `flush` sends it then."""
        return self.open and self._heard and bool(self._leaving or self._waiting)

    def send(self, message: Message) -> None:
        """Send a message, at once if there is room."""
        waiting = self._waiting
        if isinstance(message, NewSettings):
            waiting[:] = [each for each in waiting if not isinstance(each, NewSettings)]
        waiting.append(message)
        if len(waiting) > MOST_WAITING:
            waiting.remove(next(each for each in waiting if isinstance(each, _MAY_BE_LOST)))
        self.flush()

    def flush(self) -> None:
        """Send what waits, as far as there is room."""
        while self.sending:
            if not self._leaving:
                body = encoded(self._waiting.pop(0))
                self._leaving += _LENGTH.pack(len(body)) + body
            try:
                sent = self._socket.send(self._leaving)
            except BlockingIOError:
                return
            except OSError:
                self._heard = False  # its last words may still be here
                return
            del self._leaving[:sent]

    def drain(self, within_s: float) -> None:
        """Wait until all has been sent; for who is about to leave."""
        until_s = time.monotonic() + within_s
        while self.sending and (left_s := until_s - time.monotonic()) > 0:
            select.select([], [self], [], left_s)
            self.flush()

    def receive(self) -> list[Message]:
        """Return the whole messages that have come, without waiting; see `open` for the end."""
        while self.open:
            try:
                piece = self._socket.recv(1 << 16)
            except BlockingIOError:
                break
            except OSError:
                piece = b""
            if not piece:
                self.open = False
            self._received += piece
        messages = []
        while len(self._received) >= _LENGTH.size:
            end = _LENGTH.size + _LENGTH.unpack_from(self._received)[0]
            if len(self._received) < end:
                break
            messages.append(decoded(self._received[_LENGTH.size : end]))
            del self._received[:end]
        return messages

    def finish(self) -> None:
        """Send no more; the other end hears that, and can still be heard."""
        self._heard = False
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_WR)

    def close(self) -> None:
        """Close this end."""
        self.open = False
        self._socket.close()
