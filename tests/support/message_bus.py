"""A stand-in for the system's message bus: it lists the objects that it was given."""

import socket
import struct
from collections.abc import Mapping
from pathlib import Path
from typing import Any

SPEAKER, BRIDGE = "org.bluez", "org.bluealsa"


def texted(text: str, length: str = "<I") -> bytes:
    return struct.pack(length, len(text.encode())) + text.encode() + b"\0"


class Written:
    """Marshalled values, as the D-Bus Specification lays them out, little end first."""

    def __init__(self) -> None:
        self.raw = bytearray()

    def align(self, to: int) -> "Written":
        self.raw += bytes(-len(self.raw) % to)
        return self

    def text(self, text: str) -> None:
        self.align(4).raw += texted(text)

    def variant(self, value: Any) -> None:
        match value:
            case bool():
                self.raw += texted("b", "<B")
                self.align(4).raw += struct.pack("<I", value)
            case int():
                self.raw += texted("q", "<B")
                self.align(2).raw += struct.pack("<H", value)
            case list():
                self.raw += texted("as", "<B")
                at = self._open(4)
                for each in value:
                    self.text(each)
                self._close(at, 4)
            case _:
                self.raw += texted("s", "<B")
                self.text(str(value))

    def entries(self, table: Mapping[str, Any], depth: int) -> None:
        at = self._open(8)
        for name, value in table.items():
            self.align(8).text(name)
            if depth:
                self.entries(value, depth - 1)
            else:
                self.variant(value)
        self._close(at, 8)

    def _open(self, to: int) -> int:
        self.align(4).raw += bytes(4)
        at = len(self.raw)
        self.align(to)
        return at

    def _close(self, at: int, to: int) -> None:
        length = len(self.raw) - at - -at % to
        struct.pack_into("<I", self.raw, at - 4, length)


def message(kind: int, reply_to: int, signature: str = "", body: bytes = b"") -> bytes:
    """Return a message of the bus's that answers another."""
    fields = Written()
    fields.raw += struct.pack("<BB", 5, 1) + b"u\0" + struct.pack("<I", reply_to)
    fields.raw += struct.pack("<BB", 8, 1) + b"g\0" + texted(signature, "<B")
    head = struct.pack("<cBBBIII", b"l", kind, 0, 1, len(body), 7, len(fields.raw))
    return head + bytes(fields.align(8).raw) + body


def listed(reply_to: int, objects: Mapping[str, Any]) -> bytes:
    """Return a reply that lists objects."""
    body = Written()
    body.entries(objects, 2)
    return message(2, reply_to, "a{oa{sa{sv}}}", bytes(body.raw))


def refused(reply_to: int) -> bytes:
    """Return the reply for a program that is not there."""
    return message(3, reply_to)


class Bus:
    """Its socket, on which somebody may wait."""

    def __init__(self, path: Path) -> None:
        self._listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listening.bind(str(path))
        self._listening.listen()
        self._one: socket.socket | None = None

    def admit(self) -> None:
        self._one, _ = self._listening.accept()
        self.say(b"OK 1234deadbeef\r\n")

    def say(self, raw: bytes) -> None:
        assert self._one is not None
        self._one.sendall(raw)

    def asked(self) -> bytes:
        """Return what has been asked since the last call."""
        assert self._one is not None
        return self._one.recv(1 << 16)

    def leave(self) -> None:
        if self._one is not None:
            self._one.close()
        self._one = None

    def close(self) -> None:
        self.leave()
        self._listening.close()
