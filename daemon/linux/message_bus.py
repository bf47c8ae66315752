"""The system's message bus: what other programs list there, asked for without ever waiting.

Threads: a connection belongs to one thread.

The D-Bus Specification's words: EXTERNAL authentication, method calls without arguments, and the
marshalling of what comes back. A program that is not running is not started for it. What a reply
holds is as plain as JSON: a dictionary's entries, a variant's value.
"""

import os
import select
import socket
import struct
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

BUS = Path("/run/dbus/system_bus_socket")
MOST_BYTES = 1 << 20
"""A longer reply is not read."""
_CALL, _RETURN, _ERROR = 1, 2, 3
_NO_AUTO_START = 2
_PATH, _INTERFACE, _MEMBER, _REPLY_TO, _DESTINATION, _SIGNATURE = 1, 2, 3, 5, 6, 8
_NUMBERS = {"y": "B", "b": "I", "n": "h", "q": "H", "i": "i", "u": "I", "x": "q", "t": "Q"}
_NUMBERS |= {"d": "d", "h": "I"}
_OBJECTS = "a{oa{sa{sv}}}"
_READ_BYTES = 65_536

Objects = Mapping[str, Mapping[str, Mapping[str, Any]]]
"""What a program lists: properties by name, by interface, by the object's path."""


class MessageBus:
    """A connection to the bus.

    Raises
    ------
    OSError
        When there is no bus; so do all methods once it is gone, or says what cannot be read.
    """

    def __init__(self, path: Path = BUS) -> None:
        self._serial = 0
        self._unread = b""
        self._admitted = False
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.settimeout(1.0)  # for a bus whose queue is full
            self._socket.connect(str(path))
            self._socket.setblocking(False)
            user = str(os.getuid()).encode().hex()
            self._socket.sendall(f"\0AUTH EXTERNAL {user}\r\nBEGIN\r\n".encode())
            bus = "org.freedesktop.DBus"
            self._call(bus, "/org/freedesktop/DBus", bus, "Hello")
        except OSError:
            self._socket.close()
            raise

    def ask_for_objects(self, program: str, path: str = "/") -> int:
        """Ask a program what it has; return the number that its reply will have."""
        return self._call(program, path, "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")

    def replies(self) -> dict[int, Objects]:
        """Return what has come since the last call; a program that is not there has no objects."""
        self._read()
        found: dict[int, Objects] = {}
        if not self._admitted:
            line, end, rest = self._unread.partition(b"\r\n")
            if not end:
                return found
            if not line.startswith(b"OK "):
                raise OSError("the message bus refuses us")
            self._admitted, self._unread = True, rest
        while message := split(self._unread):
            kind, fields, body, self._unread = message
            if kind in (_RETURN, _ERROR) and _REPLY_TO in fields:
                lists = kind == _RETURN and fields.get(_SIGNATURE) == _OBJECTS
                found[int(fields[_REPLY_TO])] = body[0] if lists else {}
        return found

    def wait(self, numbers: set[int], limit_s: float) -> dict[int, Objects]:
        """Return these replies, or those of them that came in time."""
        until_s = time.monotonic() + limit_s
        found = self.replies()
        while numbers - found.keys() and (left_s := until_s - time.monotonic()) > 0:
            select.select([self._socket], [], [], left_s)
            found |= self.replies()
        return found

    def close(self) -> None:
        """Leave the bus."""
        self._socket.close()

    def _call(self, destination: str, path: str, interface: str, member: str) -> int:
        self._serial += 1
        self._socket.sendall(method_call(self._serial, destination, path, interface, member))
        return self._serial

    def _read(self) -> None:
        while True:
            try:
                raw = self._socket.recv(_READ_BYTES)
            except BlockingIOError:
                return
            if not raw:
                raise OSError("the message bus has gone")
            self._unread += raw
            if len(self._unread) > MOST_BYTES:
                raise OSError("the message bus says too much")


def method_call(serial: int, destination: str, path: str, interface: str, member: str) -> bytes:
    """Return a call without arguments."""
    fields = b""
    for code, kind, text in (
        (_PATH, b"o", path),
        (_DESTINATION, b"s", destination),
        (_INTERFACE, b"s", interface),
        (_MEMBER, b"s", member),
    ):
        fields += bytes(-len(fields) % 8) + struct.pack("<BB", code, 1) + kind + b"\0"
        fields += struct.pack("<I", len(text)) + text.encode() + b"\0"
    head = struct.pack("<cBBBIII", b"l", _CALL, _NO_AUTO_START, 1, 0, serial, len(fields))
    return head + fields + bytes(-len(fields) % 8)


def split(raw: bytes) -> tuple[int, dict[int, Any], list[Any], bytes] | None:
    """Return kind, header fields and body of the first message, and what follows it.

    None: it is not all there yet.

    Raises
    ------
    OSError
        When it is no message.
    """
    if len(raw) < 16:
        return None
    order = {b"l": "<", b"B": ">"}.get(raw[:1])
    if order is None:
        raise OSError("the message bus says what is no message")
    body_bytes, _, field_bytes = struct.unpack_from(order + "3I", raw, 4)
    begin = 16 + field_bytes + -field_bytes % 8
    end = begin + body_bytes
    if end > MOST_BYTES:
        raise OSError("the message bus says too much")
    if len(raw) < end:
        return None
    try:
        fields = dict(_Reader(raw[:begin], order, 12).values("a(yv)")[0])
        body = _Reader(raw[begin:end], order).values(fields.get(_SIGNATURE, ""))
    except (struct.error, IndexError, KeyError, ValueError, RecursionError, TypeError) as error:
        raise OSError("the message bus says what cannot be read") from error
    return raw[1], fields, body, raw[end:]


class _Reader:
    """Values one after another, by their signature."""

    def __init__(self, raw: bytes, order: str, at: int = 0) -> None:
        self._raw, self._order, self._at = raw, order, at

    def values(self, signature: str) -> list[Any]:
        """Return a value for each complete type of a signature."""
        return [self._value(kind) for kind in _types(signature)]

    def _value(self, kind: str) -> Any:
        match kind[0]:
            case "s" | "o":
                return self._text(self._number("I", 4))
            case "g":
                return self._text(self._number("B", 1))
            case "v":
                return self._value(self._value("g"))
            case "(" | "{":
                self._at += -self._at % 8
                return tuple(self.values(kind[1:-1]))
            case "a":
                return self._array(kind[1:])
        size = struct.calcsize("=" + _NUMBERS[kind])
        number = self._number(_NUMBERS[kind], size)
        return bool(number) if kind == "b" else number

    def _array(self, kind: str) -> Any:
        length = self._number("I", 4)
        self._at += -self._at % (8 if kind[0] in "({xtd" else 1)
        end = self._at + length
        if end > len(self._raw):
            raise ValueError(length)
        found = []
        while self._at < end:
            before = self._at
            found.append(self._value(kind))
            if self._at == before:
                raise ValueError(kind)
        return dict(found) if kind[0] == "{" else found

    def _number(self, letter: str, size: int) -> Any:
        self._at += -self._at % size
        number = struct.unpack_from(self._order + letter, self._raw, self._at)[0]
        self._at += size
        return number

    def _text(self, length: int) -> str:
        begin, self._at = self._at, self._at + length + 1
        return self._raw[begin : begin + length].decode("utf-8", "replace")


def _types(signature: str) -> list[str]:
    """Return the complete types that a signature is made of."""
    found = []
    while signature:
        end = _end_of_type(signature)
        found.append(signature[:end])
        signature = signature[end:]
    return found


def _end_of_type(signature: str) -> int:
    begin = len(signature) - len(signature.lstrip("a"))
    depth = 0
    for at in range(begin, len(signature)):
        depth += (signature[at] in "({") - (signature[at] in ")}")
        if depth == 0:
            return at + 1
    raise ValueError(signature)
