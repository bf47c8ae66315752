"""A USB MIDI controller made of a socket: the kernel takes it for a real one.

The kernel's vhci-hcd is a USB host whose devices sit at the far end of a stream socket and speak
USB/IP. Here the far end is ours: it answers as a class-compliant controller of any name, with one
or more ports. Closing the socket is pulling the plug. Runs as root inside a virtual board, with
the module vhci-hcd loaded, on nothing but the standard library.

Sources: USB Device Class Definition for MIDI Devices 1.0; the Linux kernel's
Documentation/usb/usbip_protocol.rst.
"""

import errno
import socket
import struct
import threading
import time
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path

HOST = Path("/sys/devices/platform/vhci_hcd.0")
FULL_SPEED = 2
SUBMIT, UNLINK, SUBMITTED, UNLINKED = 1, 2, 3, 4
HEADER = struct.Struct(">5I5i8s")
_DEVICE, _CONFIGURATION, _STRING, _INTERFACE, _ENDPOINT = 1, 2, 3, 4, 5
_CLASS_INTERFACE, _CLASS_ENDPOINT = 0x24, 0x25


def descriptor(kind: int, *parts: int | bytes) -> bytes:
    """Return a USB descriptor: its length, its kind, its parts."""
    body = b"".join(part if isinstance(part, bytes) else bytes([part]) for part in parts)
    return bytes([len(body) + 2, kind]) + body


def word(value: int) -> bytes:
    """Return a 16-bit value as USB sends it."""
    return struct.pack("<H", value)


def configuration(ports: int) -> bytes:
    """Return the configuration of a controller that only sends, on so many ports."""
    jacks = b""
    for port in range(ports):
        embedded, external = 2 * port + 1, 2 * port + 2
        jacks += descriptor(_CLASS_INTERFACE, 2, 2, external, 0)  # what the keys feed ...
        jacks += descriptor(_CLASS_INTERFACE, 3, 1, embedded, 1, external, 1, 0)  # ... goes out
    outputs = bytes(2 * port + 1 for port in range(ports))
    endpoint = descriptor(_ENDPOINT, 0x81, 2, word(64), 0, 0, 0)
    endpoint += descriptor(_CLASS_ENDPOINT, 1, ports, outputs)
    total = 7 + len(jacks) + len(endpoint)
    control = descriptor(_INTERFACE, 0, 0, 0, 1, 1, 0, 0)
    control += descriptor(_CLASS_INTERFACE, 1, word(0x0100), word(9), 1, 1)
    streaming = descriptor(_INTERFACE, 1, 0, 1, 1, 3, 0, 0)
    streaming += descriptor(_CLASS_INTERFACE, 1, word(0x0100), word(total)) + jacks + endpoint
    body = control + streaming
    return descriptor(_CONFIGURATION, word(9 + len(body)), 2, 1, 0, 0x80, 50) + body


class Controller:
    """One controller: `plug` it in, `send` from it, `unplug` it.

    Parameters
    ----------
    product, serial
        Its names, as the kernel will read them.
    ports
        How many MIDI ports it has.
    socket_number
        The virtual host's socket that it goes into, 0 to 7.
    """

    def __init__(
        self,
        product: str = "Cargo Bike Keys 25",
        serial: str = "1",
        ports: int = 1,
        socket_number: int = 0,
    ) -> None:
        self._strings = ("", "Market Street Instruments", product, serial)
        self._socket_number = socket_number
        # pid.codes' number for tests.
        identity = word(0x1209) + word(0x0001) + word(0x0100)
        self._device = descriptor(_DEVICE, word(0x0200), 0, 0, 0, 64, identity, 1, 2, 3, 1)
        self._configuration = configuration(ports)
        self._lock = threading.Lock()
        self._asked: list[tuple[int, int]] = []
        self._packets = b""
        self._line: socket.socket | None = None
        self._answering: threading.Thread | None = None

    def plug(self) -> None:
        """Put it in; the kernel finds it within half a second."""
        ours, theirs = socket.socketpair()
        self._asked, self._packets = [], b""
        place = f"{self._socket_number} {theirs.fileno()} {0x10002 + self._socket_number}"
        for _ in range(200):
            try:
                (HOST / "attach").write_text(f"{place} {FULL_SPEED}")
                break
            except OSError as error:  # the socket is still being left
                if error.errno not in (errno.EBUSY, errno.EINVAL):
                    raise
                time.sleep(0.05)
        else:
            raise TimeoutError("the virtual host's socket stays busy")
        theirs.close()
        self._line = ours
        self._answering = threading.Thread(target=self._answer, args=(ours,), daemon=True)
        self._answering.start()

    def unplug(self) -> None:
        """Pull it out."""
        assert self._line is not None
        assert self._answering is not None
        self._line.shutdown(socket.SHUT_RDWR)
        self._answering.join()
        self._line.close()

    def send(self, *message: int, port: int = 0) -> None:
        """Send a channel message from one of its ports."""
        self.pour([message], port)

    def pour(self, messages: Iterable[Sequence[int]], port: int = 0) -> None:
        """Send many messages at once, as many in a packet of the bus as it takes."""
        packets = b"".join(
            bytes([port << 4 | message[0] >> 4, *message, 0, 0][:4]) for message in messages
        )
        with self._lock:
            self._packets += packets
            self._hand_over()

    def _hand_over(self) -> None:
        while self._asked and self._packets:
            number, size = self._asked.pop(0)
            size -= size % 4
            self._reply(number, self._packets[:size])
            self._packets = self._packets[size:]

    def _reply(self, number: int, content: bytes = b"", status: int = 0, length: int = -1) -> None:
        assert self._line is not None
        length = len(content) if length < 0 else length
        head = HEADER.pack(SUBMITTED, number, 0, 0, 0, status, length, 0, 0, 0, b"")
        self._line.sendall(head + content)

    def _answer(self, line: socket.socket) -> None:
        """Answer the host until the plug is pulled."""
        self._line = line
        with suppress(EOFError, OSError):
            while True:
                head = HEADER.unpack(_exactly(line, HEADER.size))
                command, number, _, inwards, endpoint, victim, size = head[:7]
                sent = _exactly(line, size) if command == SUBMIT and not inwards else b""
                with self._lock:
                    if command == UNLINK:
                        self._forget(number, victim)
                    elif endpoint == 0:
                        self._control(number, head[10], size)
                    elif inwards:
                        self._asked.append((number, size))
                        self._hand_over()
                    else:
                        self._reply(number, length=len(sent))

    def _forget(self, number: int, victim: int) -> None:
        """Take back a request for a packet."""
        assert self._line is not None
        waiting = [each for each in self._asked if each[0] != victim]
        status = 0 if len(waiting) == len(self._asked) else -errno.ECONNRESET
        self._asked = waiting
        self._line.sendall(struct.pack(">5Ii24x", UNLINKED, number, 0, 0, 0, status))

    def _control(self, number: int, setup: bytes, size: int) -> None:
        """Answer a request to the device itself."""
        kind, request, value, _, _ = struct.unpack("<BBHHH", setup)
        if (kind, request) == (0x80, 6):
            content = self._described(value >> 8, value & 0xFF)
            if content is None:
                self._reply(number, status=-errno.EPIPE)
            else:
                self._reply(number, content[:size])
        elif kind & 0x60 == 0 and request == 0:
            self._reply(number, b"\0\0"[:size])
        elif kind & 0x60 == 0:
            self._reply(number, length=0)
        else:
            self._reply(number, status=-errno.EPIPE)

    def _described(self, kind: int, index: int) -> bytes | None:
        if kind == _DEVICE:
            return self._device
        if kind == _CONFIGURATION:
            return self._configuration
        if kind == _STRING and index == 0:
            return descriptor(_STRING, word(0x0409))
        if kind == _STRING and index < len(self._strings):
            return descriptor(_STRING, self._strings[index].encode("utf-16-le"))
        return None


def _exactly(line: socket.socket, size: int) -> bytes:
    content = b""
    while len(content) < size:
        got = line.recv(size - len(content))
        if not got:
            raise EOFError
        content += got
    return content
