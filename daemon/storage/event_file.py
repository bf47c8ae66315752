"""What happened, kept through power-off: a file of fixed size, written round and round.

Units: microseconds since power-on (``_us``); boots count from 1.
Shapes: `SLOTS` records of one sector (512 bytes), each with a checksum; the first `COUNT_SLOTS`
hold the note counts of the latest boots, two for each, written in turn.
Threads: whoever writes is the only one.

A record torn by a power cut fails its checksum and is left out; it takes no other with it, since
no two share a sector. The boots are counted here too: another number of the kernel's
(``boot_id``) is another boot.
"""

import os
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

from config.files import write_atomic

SECTOR = 512
SLOTS = 512
COUNT_SLOTS = 64
SIZE = SLOTS * SECTOR
_RING = SLOTS - COUNT_SLOTS
_CHECK = struct.Struct("<I")
_HEAD = struct.Struct("<QIqqBH")
_TEXT_BYTES = SECTOR - _CHECK.size - _HEAD.size
BOOT, ENTRY, CLOCK, COUNT = range(4)
"""The kinds: a start with the kernel's boot number; an entry; how far the wall clock is from the
time since power-on, in microseconds; the note count."""


@dataclass(frozen=True)
class Record:
    """One thing that happened."""

    serial: int
    boot: int
    at_us: int
    """When, since power-on."""
    ready_us: int
    """When the daemon that wrote it was ready, since power-on."""
    kind: int
    text: str


def place(environment: Mapping[str, str] = os.environ) -> Path:
    """Return where the file is: in the folder that systemd names (STATE_DIRECTORY)."""
    given = environment.get("STATE_DIRECTORY", "").split(":")[0]
    return Path(given or "/var/lib/partiald") / "happened"


def read(path: Path) -> list[Record]:
    """Return every whole record, the oldest first; the counts where they were written last.

    Raises
    ------
    OSError
        When the file can't be read; one that is not there is empty.
    """
    try:
        with path.open("rb") as file:
            content = file.read(SIZE)
    except FileNotFoundError:
        return []
    found = [_unpack(content[at : at + SECTOR]) for at in range(0, len(content), SECTOR)]
    return sorted((each for each in found if each), key=lambda record: record.serial)


@dataclass(frozen=True)
class Story:
    """What is kept of one boot."""

    boot: int
    """Its number."""
    entries: list[Record]
    """In the order of time."""
    count: str = ""
    """The note count, as it was written last."""
    ahead_us: int | None = None
    """How far the wall clock was ahead of the time since power-on; None: it never was right."""


def story(records: Iterable[Record], boot: int) -> Story:
    """Return what the records tell of one boot."""
    own = [record for record in records if record.boot == boot]
    counts = [record.text for record in own if record.kind == COUNT]
    clocks = [record.text for record in own if record.kind == CLOCK]
    entries = [record for record in own if record.kind == ENTRY]
    return Story(
        boot,
        sorted(entries, key=lambda record: record.at_us),
        counts[-1] if counts else "",
        int(clocks[-1]) if clocks and clocks[-1].lstrip("-").isdecimal() else None,
    )


def plain(
    boot: int,
    entries: Sequence[tuple[int, int, str]],
    count: str,
    ahead_us: int | None,
    last: int,
) -> dict[str, Any]:
    """Return a story's latest for the command: seconds; the wall clock only where it was right.

    Of an entry: when, when the daemon was ready (0: not yet), both since power-on, and its text.
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
    }


class EventFile:
    """The file, for the one who writes it.

    Parameters
    ----------
    path
        The file. Its folder has to exist: nothing is kept where there is none.
    this_boot
        The kernel's name of this boot.
    """

    def __init__(self, path: Path, this_boot: str) -> None:
        self.path = path
        there = read(path)
        self._next = there[-1].serial + 1 if there else 1
        boots = [record for record in there if record.kind == BOOT]
        latest = max((record.boot for record in there), default=0)
        self.known = bool(boots) and boots[-1].text == this_boot != ""
        """Whether this boot has a number already, from a daemon before this one."""
        self.boot = boots[-1].boot if self.known else latest + 1
        """The number of this boot."""
        self.first = self._next
        """The first serial number that this daemon writes."""
        self._this_boot = this_boot
        self._counts = sum(record.serial for record in there if record.kind == COUNT)

    def begin(self, at_us: int, ready_us: int) -> None:
        """Enter the start; may raise OSError."""
        if not self.path.exists() or self.path.stat().st_size != SIZE:
            write_atomic(self.path, bytes(SIZE))
            self.path.chmod(0o640)
        if not self.known:
            self.write([(BOOT, at_us, self._this_boot)], ready_us)
            self.known = True

    def write(self, happened: Iterable[tuple[int, int, str]], ready_us: int) -> None:
        """Write kind, moment and text of each, and wait until the card has them.

        Raises
        ------
        OSError
            When it can't be written.
        """
        handle = os.open(self.path, os.O_WRONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        try:
            for kind, at_us, text in happened:
                serial, self._next = self._next, self._next + 1
                if kind == COUNT:
                    self._counts += 1
                    slot = 2 * (self.boot % (COUNT_SLOTS // 2)) + self._counts % 2
                else:
                    slot = COUNT_SLOTS + serial % _RING
                record = Record(serial, self.boot, at_us, ready_us, kind, text)
                os.pwrite(handle, _pack(record), slot * SECTOR)
            os.fdatasync(handle)
        finally:
            os.close(handle)


def _pack(record: Record) -> bytes:
    text = record.text.encode()[:_TEXT_BYTES]
    head = (record.serial, record.boot, record.at_us, record.ready_us, record.kind, len(text))
    body = (_HEAD.pack(*head) + text).ljust(SECTOR - _CHECK.size, b"\0")
    return _CHECK.pack(crc32(body)) + body


def _unpack(sector: bytes) -> Record | None:
    """Return a sector's record; None when it is torn, or was never written."""
    if len(sector) < SECTOR or _CHECK.unpack_from(sector)[0] != crc32(sector[_CHECK.size :]):
        return None
    serial, boot, at_us, ready_us, kind, length = _HEAD.unpack_from(sector, _CHECK.size)
    start = _CHECK.size + _HEAD.size
    text = sector[start : start + length].decode("utf-8", "ignore")
    return Record(serial, boot, at_us, ready_us, kind, text) if serial else None
