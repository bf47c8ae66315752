"""A control socket that is served, and clients that write to it byte by byte."""

import json
import selectors
import socket
import threading
from pathlib import Path

from daemon.control.ask import ask
from daemon.control.control_socket import ControlServer
from daemon.control.requests import Request


class ServedSocket:
    """A server in a thread of its own, as the daemon's loop would serve it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "control"
        self.path.write_text("left by a daemon that died")
        self.answered = 0
        self._selector = selectors.DefaultSelector()
        self.now_s = 0.0
        self.server = ControlServer(
            self.path, self._answer, self._selector, clock_s=lambda: self.now_s
        )
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _answer(self, request: Request, client: int) -> dict[str, object]:
        self.answered += 1
        return {"asked": request.ask, "padding": "x" * 1000}

    def _run(self) -> None:
        while not self._ended.is_set():
            for key, events in self._selector.select(0.02):
                key.data(events)
            self.server.tick()

    def answers(self) -> None:
        """Make sure that somebody else is answered."""
        assert ask({"ask": "status"}, [self.path])["asked"] == "status"

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self.server.close()
        self._selector.close()


def connect(served: ServedSocket) -> socket.socket:
    wire = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    wire.settimeout(5)
    wire.connect(str(served.path))
    return wire


def exchange(served: ServedSocket, content: bytes) -> dict[str, object]:
    with connect(served) as wire:
        wire.sendall(content)
        with wire.makefile("rb") as lines:
            answer: dict[str, object] = json.loads(lines.readline())
            return answer
