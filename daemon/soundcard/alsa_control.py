"""The control device of one sound card: its switches and volumes, read and set.

Units: decibels; raw values as the card has them.
Threads: any, one at a time; a USB card may take some milliseconds for a value.

Structures and numbers: include/uapi/sound/asound.h and tlv.h of Linux, where a long has 64 bits;
on other systems there are no controls. Sizes in bytes: ``snd_ctl_elem_id`` 64,
``snd_ctl_elem_list`` 80, ``snd_ctl_elem_info`` 272, ``snd_ctl_elem_value`` 1224, ``snd_ctl_tlv`` 8
and what follows it.
"""

import ctypes
import fcntl
import os
import struct
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Literal, NamedTuple, Self

from config.toml.printable import printable

ID_BYTES, LIST_BYTES, INFO_BYTES, VALUE_BYTES, TLV_BYTES = 64, 80, 272, 1224, 8
_ID = struct.Struct("=4I44sI")  # numid, iface, device, subdevice, name, index
_LIST = struct.Struct("=4IQ")  # offset, space, used, count, address of the identities
_INFO = struct.Struct("=64s3Ii3q")  # id, type, access, count, owner; low, high, step
_VALUES_AT = 72
_SCALE_BYTES = 256
_MOST = 1024
_LIST_CALL, _INFO_CALL, _READ_CALL, _WRITE_CALL, _TLV_CALL = 0x10, 0x11, 0x12, 0x13, 0x1A
_MIXER = 2
_BOOLEAN, _INTEGER = 1, 2
_READABLE, _WRITABLE, _HAS_SCALE = 1, 2, 1 << 4
_CONTAINER, _DB_SCALE, _DB_MINMAX, _DB_MINMAX_MUTE = 0, 1, 4, 5


class Element(NamedTuple):
    """One switch or volume of a card, with its present values."""

    number: int
    name: str
    kind: Literal["switch", "volume"]
    values: tuple[int, ...]
    """One for each channel."""
    low: int = 0
    high: int = 1
    low_db: float | None = None
    """The decibels of `low`; None: the card does not say."""
    high_db: float | None = None
    writable: bool = True

    def db(self, value: int) -> float | None:
        """Return the decibels of a raw value, which are linear in it; None: not known."""
        if self.low_db is None or self.high_db is None or self.high == self.low:
            return None
        share = (value - self.low) / (self.high - self.low)
        return self.low_db + share * (self.high_db - self.low_db)


class ControlDevice:
    """An open control device; a context manager.

    Raises
    ------
    OSError
        When it is gone or may not be opened; so may every method.
    """

    def __init__(self, card: int, dev: Path = Path("/dev")) -> None:
        if struct.calcsize("l") != 8:
            raise OSError("the controls of a sound card are read on 64-bit systems only")
        self._device = os.open(dev / f"snd/controlC{card}", os.O_RDWR | os.O_CLOEXEC)

    def __enter__(self) -> Self:
        """Return the device."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        """Close it."""
        os.close(self._device)

    def elements(self) -> list[Element]:
        """Return the switches and volumes of the mixer."""
        found = []
        for identity in self._identities():
            if mixer_name(identity):
                info = self._ask(_INFO_CALL, identity, INFO_BYTES)
                value = self._ask(_READ_CALL, identity, VALUE_BYTES)
                element = decoded(info, value, self._scale(info))
                found += [element] if element else []
        return found

    def write(self, element: Element, values: Sequence[int]) -> None:
        """Set every channel of a control."""
        head = _ID.pack(element.number, 0, 0, 0, b"", 0) + bytes(_VALUES_AT - ID_BYTES)
        content = head + struct.pack(f"={len(values)}q", *values)
        self._call(_WRITE_CALL, bytearray(content.ljust(VALUE_BYTES, b"\0")), VALUE_BYTES)

    def _identities(self) -> list[bytes]:
        room = ctypes.create_string_buffer(ID_BYTES * _MOST)
        asked = _LIST.pack(0, _MOST, 0, 0, ctypes.addressof(room)).ljust(LIST_BYTES, b"\0")
        answer = self._call(_LIST_CALL, bytearray(asked), LIST_BYTES)
        used = _LIST.unpack_from(answer)[2]
        return [room.raw[start : start + ID_BYTES] for start in range(0, ID_BYTES * used, ID_BYTES)]

    def _ask(self, call: int, identity: bytes, size: int) -> bytes:
        return self._call(call, bytearray(identity.ljust(size, b"\0")), size)

    def _scale(self, info: bytes) -> bytes:
        number = _ID.unpack_from(info)[0]
        if _INFO.unpack_from(info)[2] & _HAS_SCALE:
            asked = struct.pack("=2I", number, _SCALE_BYTES) + bytes(_SCALE_BYTES)
            with suppress(OSError):
                return self._call(_TLV_CALL, bytearray(asked), TLV_BYTES)
        return b""

    def _call(self, call: int, content: bytearray, size: int) -> bytes:
        # _IOWR('U', call, size), of include/uapi/asm-generic/ioctl.h.
        fcntl.ioctl(self._device, 3 << 30 | size << 16 | ord("U") << 8 | call, content)
        return bytes(content)


def mixer_name(identity: bytes) -> str:
    """Return the name of a mixer control; empty: it is something else."""
    _, interface, _, _, name, _ = _ID.unpack_from(identity)
    return printable(name.split(b"\0")[0].decode(errors="replace")) if interface == _MIXER else ""


def decoded(info: bytes, value: bytes, scale: bytes = b"") -> Element | None:
    """Return a control from the kernel's replies; None: it is neither switch nor volume.

    Parameters
    ----------
    info, value
        As ``SNDRV_CTL_IOCTL_ELEM_INFO`` and ``_READ`` left them.
    scale
        As ``SNDRV_CTL_IOCTL_TLV_READ`` left it; empty: there is none.
    """
    identity, kind, access, count, _, low, high, _ = _INFO.unpack_from(info)
    name = mixer_name(identity)
    if not name or kind not in (_BOOLEAN, _INTEGER) or not access & _READABLE:
        return None
    values = struct.unpack_from(f"={count}q", value, _VALUES_AT)
    number, writable = _ID.unpack_from(identity)[0], bool(access & _WRITABLE)
    if kind == _BOOLEAN:
        return Element(number, name, "switch", values, writable=writable)
    low_db, high_db = _decibels(scale[TLV_BYTES:], high - low) or (None, None)
    return Element(number, name, "volume", values, low, high, low_db, high_db, writable)


def _decibels(scale: bytes, steps: int) -> tuple[float, float] | None:
    """Return the decibels of both ends; None: not known, or not linear."""
    for kind, content in _records(scale):
        if kind == _CONTAINER:
            return _decibels(content, steps)
        if kind in (_DB_SCALE, _DB_MINMAX, _DB_MINMAX_MUTE) and len(content) >= 8:
            low, second = struct.unpack_from("=iI", content)
            if kind == _DB_SCALE:
                return low / 100, (low + steps * (second & 0xFFFF)) / 100
            return low / 100, struct.unpack_from("=i", content, 4)[0] / 100
    return None


def _records(scale: bytes) -> Iterator[tuple[int, bytes]]:
    at = 0
    while at + 8 <= len(scale):
        kind, length = struct.unpack_from("=2I", scale, at)
        yield kind, scale[at + 8 : at + 8 + length]
        if length == 0:
            return
        at += 8 + length
