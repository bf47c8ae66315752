"""The event file: what happened, kept through power-off in a ring of fixed size.

Units: microseconds since power-on (``_us``); boots are numbered from 1.
Shapes: `SLOTS` records of one sector (512 bytes), each with a checksum; the first `COUNT_SLOTS`
hold the note counts of the latest boots, two for each, written alternately.
Threads: only one may write; any may read.

A record torn by a power cut fails its checksum and is left out; no other is lost with it, since no
two share a sector. Boots are counted here as well: a new ``boot_id`` of the kernel is a new boot.
"""

import os
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple
from zlib import crc32

from config.toml.files import write_atomic
from config.toml.printable import printable

SECTOR = 512
SLOTS = 512
COUNT_SLOTS = 64
SIZE = SLOTS * SECTOR
_RING = SLOTS - COUNT_SLOTS
_CHECK = struct.Struct("<I")
_HEAD = struct.Struct("<QIqqBH")
_TEXT_BYTES = SECTOR - _CHECK.size - _HEAD.size
BOOT, ENTRY, CLOCK, COUNT, BATTERY = range(5)
"""The kinds of record: a boot with the kernel's name of it; an event; how far the wall clock is
ahead of the time since power-on, in microseconds; the note count; the battery's per cent, with a
plus while it is charged."""


class Record(NamedTuple):
    """One thing that happened."""

    serial: int
    boot: int
    at_us: int
    """When, since power-on."""
    ready_us: int
    """When the daemon that wrote it was ready, since power-on."""
    kind: int
    text: str


def state_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Return the folder that systemd names (STATE_DIRECTORY)."""
    given = environment.get("STATE_DIRECTORY", "").split(":")[0]
    return Path(given or "/var/lib/partiald")


def event_file_path(environment: Mapping[str, str] = os.environ) -> Path:
    """Return the file's path."""
    return state_folder(environment) / "happened"


def read(path: Path) -> list[Record]:
    """Return every whole record, the oldest first.

    Raises
    ------
    OSError
        When the file can't be read; a missing one is empty.
    """
    return _in_order(_read_slots(path))


@dataclass(frozen=True)
class BootEvents:
    """What is kept of one boot."""

    boot: int
    """Its number."""
    entries: list[Record]
    """The events, in order of time."""
    count: str = ""
    """The latest note count."""
    ahead_us: int | None = None
    """How far the wall clock was ahead of the time since power-on; None: it was never set."""
    battery: Sequence[tuple[int, str]] = ()
    """The battery's charge: when, and the text of its record."""


def boot_events(records: Iterable[Record], boot: int) -> BootEvents:
    """Return what the records say of one boot."""
    own = [record for record in records if record.boot == boot]
    counts = [record.text for record in own if record.kind == COUNT]
    clocks = [record.text for record in own if record.kind == CLOCK]
    entries = [record for record in own if record.kind == ENTRY]
    return BootEvents(
        boot,
        sorted(entries, key=lambda record: record.at_us),
        counts[-1] if counts else "",
        int(clocks[-1]) if clocks and clocks[-1].lstrip("-").isdecimal() else None,
        sorted((record.at_us, record.text) for record in own if record.kind == BATTERY),
    )


def readable_fields(
    boot: int,
    entries: Sequence[tuple[int, int, str]],
    count: str,
    ahead_us: int | None,
    last: int,
    battery: Sequence[tuple[int, str]] = (),
) -> dict[str, Any]:
    """Return a boot's last events as plain values, in seconds; wall clock only where it was set.

    Each entry is given as its moment and the moment the daemon was ready (0: not yet), both since
    power-on, and its text; the battery's charge as its moment, since power-on, and its text.
    """
    return {
        "boot": boot,
        "count": count,
        "earlier": max(len(entries) - last, 0),
        "entries": [
            {
                "since_ready_s": round((at_us - ready_us) / 1e6, 1) if ready_us else None,
                "clock_s": None if ahead_us is None else round((at_us + ahead_us) / 1e6, 1),
                "text": text,
            }
            for at_us, ready_us, text in entries[-last:]
        ],
        "battery": [
            {
                "since_power_on_s": round(at_us / 1e6),
                "percent": int(text.rstrip("+")),
                "charging": text.endswith("+"),
            }
            for at_us, text in battery
            if text.rstrip("+").isdecimal()
        ],
    }


class EventFile:
    """The file, for its only writer.

    Parameters
    ----------
    path
        The file. Its folder must exist.
    this_boot
        The kernel's name of this boot.
    """

    def __init__(self, path: Path, this_boot: str) -> None:
        self.path = path
        slots = _read_slots(path)
        self.earlier = records = _in_order(slots)
        """What was in it before this daemon wrote, the oldest first."""
        self._next = records[-1].serial + 1 if records else 1
        boots = [record for record in records if record.kind == BOOT]
        latest = max((record.boot for record in records), default=0)
        self.is_same_boot = bool(boots) and boots[-1].text == this_boot != ""
        """Whether an earlier daemon has recorded this boot already."""
        self.boot = boots[-1].boot if self.is_same_boot else latest + 1
        """The number of this boot."""
        self._this_boot = this_boot
        self._count_slot = 2 * (self.boot % (COUNT_SLOTS // 2))
        pair = [each.serial if each else 0 for each in slots[self._count_slot :][:2]]
        # The older one of the two is written next, and the newer one is safe meanwhile.
        self._older_count = pair.index(min(pair)) if pair else 0

    def begin(self, at_us: int, ready_us: int) -> None:
        """Make the file, and record the boot unless that is done; may raise OSError."""
        if not self.path.exists() or self.path.stat().st_size != SIZE:
            write_atomic(self.path, bytes(SIZE))
            self.path.chmod(0o640)
        if not self.is_same_boot:
            self.write([(BOOT, at_us, self._this_boot)], ready_us)
            self.is_same_boot = True

    def write(self, events: Iterable[tuple[int, int, str]], ready_us: int) -> None:
        """Write kind, moment and text of each event, and wait until they are on the card.

        Raises
        ------
        OSError
            When it can't be written.
        """
        handle = os.open(self.path, os.O_WRONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        try:
            for kind, at_us, text in events:
                serial, self._next = self._next, self._next + 1
                if kind == COUNT:
                    slot = self._count_slot + self._older_count
                    self._older_count = 1 - self._older_count
                else:
                    slot = COUNT_SLOTS + serial % _RING
                record = Record(serial, self.boot, at_us, ready_us, kind, text)
                os.pwrite(handle, _pack(record), slot * SECTOR)
            os.fdatasync(handle)
        finally:
            os.close(handle)


def _read_slots(path: Path) -> list[Record | None]:
    """Return what each slot holds; nothing of a missing file."""
    try:
        with path.open("rb") as file:
            content = file.read(SIZE)
    except FileNotFoundError:
        return []
    return [_unpack(content[at : at + SECTOR]) for at in range(0, len(content), SECTOR)]


def _in_order(slots: Iterable[Record | None]) -> list[Record]:
    return sorted((each for each in slots if each), key=lambda record: record.serial)


def _pack(record: Record) -> bytes:
    text = record.text.encode()[:_TEXT_BYTES]
    head = (record.serial, record.boot, record.at_us, record.ready_us, record.kind, len(text))
    body = (_HEAD.pack(*head) + text).ljust(SECTOR - _CHECK.size, b"\0")
    return _CHECK.pack(crc32(body)) + body


def _unpack(sector: bytes) -> Record | None:
    """Return a sector's record; None: it is torn, or was never written."""
    if len(sector) < SECTOR or _CHECK.unpack_from(sector)[0] != crc32(sector[_CHECK.size :]):
        return None
    serial, boot, at_us, ready_us, kind, length = _HEAD.unpack_from(sector, _CHECK.size)
    start = _CHECK.size + _HEAD.size
    text = printable(sector[start : start + length].decode("utf-8", "ignore"))
    return Record(serial, boot, at_us, ready_us, kind, text) if serial else None
