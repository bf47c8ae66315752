"""The control socket: one JSON request per line, one JSON line back.

Units: seconds of the monotonic clock.
Threads: `ControlServer` belongs to the main loop, which never waits for a client.

The socket is a file (0660) in the runtime folder; there is no network listener. A client that
floods, stalls or writes nonsense costs the daemon nothing but a closed connection.
"""

import contextlib
import json
import os
import selectors
import socket
from collections.abc import Callable, Mapping
from itertools import count
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from daemon.control.requests import REQUEST, AskPlay, Request

LINE_BYTES = 64 * 1024
CLIENTS = 16
_FAULT_LENGTH = 300
_IDLE_S = 10.0
_PLAYING_IDLE_S = 3.0
"""Who plays is not heard for so long: its notes must not go on."""
_SILENT_S = 1.0
"""When every place is taken, who has been silent for so long gives it up."""


class _Client:
    """A connection: what it asked and was not answered yet, and the answer on its way."""

    def __init__(self, wire: socket.socket, number: int, now_s: float) -> None:
        self.wire, self.number = wire, number
        self.patience_s = _IDLE_S
        self.asked = bytearray()
        self.answer = bytearray()
        self.heard_s = now_s
        self.leaving = False

    @property
    def waits(self) -> bool:
        """Whether it has a turn to come without sending more."""
        return bool(self.answer) or b"\n" in self.asked or len(self.asked) > LINE_BYTES

    def take_line(self) -> bytes | None:
        """Return the next whole line; None: it is too long, and there are no more."""
        end = self.asked.find(b"\n")
        if not 0 <= end <= LINE_BYTES:
            self.asked.clear()
            self.leaving = True
            return None
        line = bytes(self.asked[:end])
        del self.asked[: end + 1]
        return line


class ControlServer:
    """Answers inside the daemon's loop: one request of each client, then it is the others' turn.

    Parameters
    ----------
    path
        Where the socket goes; one that a dead daemon left is replaced.
    answer
        From a request, and the number of the client, to what is sent back.
    selector
        The loop's; what is registered there carries a callable of the events as its data.
    clock_s
        The monotonic clock.
    left
        Called with the number of a client that is gone.
    ticked
        Called at every tick.
    """

    def __init__(
        self,
        path: Path,
        answer: Callable[[Request, int], Mapping[str, Any]],
        selector: selectors.BaseSelector,
        clock_s: Callable[[], float],
        left: Callable[[int], None] = lambda client: None,
        ticked: Callable[[], None] = lambda: None,
    ) -> None:
        self._ticked = ticked
        self._path, self._answer, self._selector, self._clock_s = path, answer, selector, clock_s
        self._left, self._numbers = left, count(1)
        self._clients: list[_Client] = []
        path.unlink(missing_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        mask = os.umask(0o117)
        try:
            self._socket.bind(str(path))
        finally:
            os.umask(mask)
        self._socket.listen(CLIENTS)
        self._socket.setblocking(False)
        selector.register(self._socket, selectors.EVENT_READ, self._accept)

    def tick(self) -> None:
        """Drop clients that neither ask nor read."""
        self._ticked()
        now_s = self._clock_s()
        for client in [each for each in self._clients if now_s - each.heard_s > each.patience_s]:
            self._drop(client)

    def close(self) -> None:
        """Drop every client and take the socket away."""
        for client in list(self._clients):
            self._drop(client)
        self._selector.unregister(self._socket)
        self._socket.close()
        self._path.unlink(missing_ok=True)

    def _accept(self, _: int) -> None:
        try:
            wire, _address = self._socket.accept()
        except OSError:
            return
        wire.setblocking(False)
        if len(self._clients) >= CLIENTS:
            quietest = min(self._clients, key=lambda client: client.heard_s)
            if self._clock_s() - quietest.heard_s > _SILENT_S:
                self._drop(quietest)
        if len(self._clients) >= CLIENTS:
            with contextlib.suppress(OSError):
                wire.send(_line({"error": f"at most {CLIENTS} clients at once"}))
            wire.close()
            return
        client = _Client(wire, next(self._numbers), self._clock_s())
        self._clients.append(client)
        self._selector.register(
            wire, selectors.EVENT_READ, lambda events: self._serve(client, events)
        )

    def _serve(self, client: _Client, events: int) -> None:
        """Give a client its turn; what it asks beyond one line waits for the next."""
        if events & selectors.EVENT_READ and not self._read(client):
            return
        if not client.answer and client.waits:
            line = client.take_line()
            client.answer += _line(_TOO_LONG if line is None else self._reply(line, client))
        self._write(client)

    def _read(self, client: _Client) -> bool:
        """Take what has come; False: the client is gone."""
        try:
            piece = client.wire.recv(LINE_BYTES)
        except BlockingIOError:
            return True
        except OSError:
            piece = b""
        if not piece:
            self._drop(client)
            return False
        client.heard_s = self._clock_s()
        client.asked += piece
        return True

    def _write(self, client: _Client) -> None:
        try:
            sent = client.wire.send(client.answer) if client.answer else 0
        except BlockingIOError:
            sent = 0
        except OSError:
            self._drop(client)
            return
        del client.answer[:sent]
        if client.leaving:
            self._drop(client)
            return
        # Who is still to be answered is not read from: what it sends on waits with the kernel.
        wanted = selectors.EVENT_WRITE if client.waits else selectors.EVENT_READ
        key = self._selector.get_key(client.wire)
        if key.events != wanted:
            self._selector.modify(client.wire, wanted, key.data)

    def _reply(self, line: bytes, client: _Client) -> Mapping[str, Any]:
        try:
            request = REQUEST.validate_json(line)
            if isinstance(request, AskPlay):
                client.patience_s = _PLAYING_IDLE_S
            return self._answer(request, client.number)
        except ValidationError as error:
            first = error.errors(include_url=False, include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            fault = f"{where}: {first['msg']}" if where else str(first["msg"])
            return {"error": fault[:_FAULT_LENGTH]}
        except OSError as error:
            return {"error": error.strerror or str(error)}

    def _drop(self, client: _Client) -> None:
        self._selector.unregister(client.wire)
        client.wire.close()
        self._clients.remove(client)
        self._left(client.number)


_TOO_LONG = {"error": f"a line is at most {LINE_BYTES} bytes"}


def _line(plain: Mapping[str, Any]) -> bytes:
    return json.dumps(plain, ensure_ascii=False).encode() + b"\n"
