"""The outcomes of notes, from the player to the keeper: a ring of fixed records in shared memory.

Units: frames since the player's stream began.
Shapes: `NoteEvents.SIZE` bytes: a count, then `SLOTS` records of `RECORD_BYTES`.
Threads: `NoteEvents.put` belongs to the audio callback, `NoteEvents.take` to the main loop.

A note is put at its note-on, when it ends and when a stolen one is released, whole each time: a
record that was overwritten unread is made good by the note's next one. `NoteEvents.put` waits for
nobody; who reads too late learns how many records were missed.
"""

import struct
from zlib import crc32

from voices.notes.note_count import ACCOUNTS, Note

SLOTS = 1024
_COUNT = struct.Struct("<Q")
_BODY = struct.Struct("<QIIqqq5B47s")
_CHECK = struct.Struct("<I")
RECORD_BYTES = _BODY.size + _CHECK.size
_DETAIL_BYTES = 47
_OPEN = -1
_ACCOUNT = {account: place for place, account in enumerate(ACCOUNTS)}


class NoteEvents:
    """One writer, one reader.

    Parameters
    ----------
    memory
        At least `SIZE` bytes, writable, shared by both processes; zeroed, it is an empty ring.
    """

    SIZE = (_COUNT.size + SLOTS * RECORD_BYTES + 7) // 8 * 8

    def __init__(self, memory: memoryview) -> None:
        self._memory = memory[: self.SIZE].cast("B")
        self._draft = bytearray(RECORD_BYTES)
        self._body = memoryview(self._draft)[: _BODY.size]
        self._put = self._taken = 0
        self.missed = 0
        """Records that were overwritten before they were taken."""

    def clear(self) -> None:
        """Forget everything; only while no player runs."""
        self._memory[:] = bytes(self.SIZE)
        self._taken = 0

    def put(self, note: Note) -> None:
        """Write a note as it is now. Real-time safe."""
        number = self._put
        ended, held = note.ended_frame, note.held_until
        _BODY.pack_into(
            self._draft,
            0,
            number + 1,
            note.serial,
            note.taken_by,
            note.on_frame,
            _OPEN if held is None else held,
            _OPEN if ended is None else ended,
            _ACCOUNT[note.account],
            note.controller & 0xFF,
            note.channel,
            note.key,
            note.velocity,
            note.detail.encode()[:_DETAIL_BYTES],
        )
        _CHECK.pack_into(self._draft, _BODY.size, crc32(self._body))
        start = _COUNT.size + number % SLOTS * RECORD_BYTES
        self._memory[start : start + RECORD_BYTES] = self._draft
        self._put = number + 1
        _COUNT.pack_into(self._memory, 0, number + 1)

    def take(self) -> list[Note]:
        """Return what was put since the last call, oldest first."""
        count = _COUNT.unpack_from(self._memory)[0]
        first = max(self._taken, count - SLOTS)
        self.missed += first - self._taken
        notes = []
        for number in range(first, count):
            note = self._read(number)
            if note is None:  # being overwritten at this moment, or not all of it seen yet
                if count - number < SLOTS // 2:
                    count = number
                    break
                self.missed += 1
            else:
                notes.append(note)
        self._taken = count
        return notes

    def _read(self, number: int) -> Note | None:
        start = _COUNT.size + number % SLOTS * RECORD_BYTES
        record = bytes(self._memory[start : start + RECORD_BYTES])
        if _CHECK.unpack_from(record, _BODY.size)[0] != crc32(record[: _BODY.size]):
            return None
        stamp, serial, taken_by, on, held, ended, *played, detail = _BODY.unpack_from(record)
        if stamp != number + 1:
            return None
        account, controller, channel, key, velocity = played
        return Note(
            serial,
            controller,
            channel,
            key,
            velocity,
            on,
            None if held == _OPEN else held,
            None if ended == _OPEN else ended,
            ACCOUNTS[account],
            detail.rstrip(b"\0").decode("utf-8", "replace"),
            taken_by,
        )
