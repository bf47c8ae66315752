"""The queue of timestamped channel messages between the keeper and the player, in shared memory.

Units: times in microseconds of the monotonic clock.
Shapes: `MessageRing.SIZE` bytes, aligned to 8: a head of eight 64-bit words, then `SLOTS` records
of two words. Zeroed memory is an empty ring.
Threads: any thread of one process puts; one thread of one process gets. The positions live in the
shared memory, so another consumer continues where the one before it ended.

Both words of a record carry the number of its lap, and a record counts as written only when both
show the lap that is due: a processor that reorders stores never shows half a record.
`MessageRing.get` waits for nothing and takes no lock.
"""

import threading
from collections.abc import Sequence

GONE = b"\xff\x00"
"""Stands in the ring for a controller that is gone; no MIDI message has these two bytes."""
PANIC = b"\xff\x01"
"""Stands in the ring for the end of every note of every controller."""
TOLD = 0x8000
"""Added to the number of a controller that only tells where its knobs stand."""
SLOTS = 2048
# A few records stay free, so that no slot is refilled while its old record is still being read.
_USABLE = SLOTS - 16
_HEAD = 8
_WRITTEN, _READ, _OVERFLOWS, _LOST_NOTES, _BOOKED_NOTES, _NOTES = range(6)
_TIME = (1 << 48) - 1


class MessageRing:
    """Single producer, single consumer; a message that finds no room is counted, not kept.

    Record, from the low bits: the time (48) and the lap (16); the message (24), its length (8),
    the controller (16) and the lap (16).

    Parameters
    ----------
    memory
        At least `SIZE` bytes, writable, shared by both processes.
    """

    SIZE = 8 * (_HEAD + 2 * SLOTS)

    def __init__(self, memory: memoryview) -> None:
        self._words = memory[: self.SIZE].cast("B").cast("Q")
        self._lock = threading.Lock()
        self._written = self._words[_WRITTEN]
        self._full_at = self._words[_READ] + _USABLE

    def put(self, message: Sequence[int], time_us: int, controller: int) -> bool:
        """Add a message of one to three bytes; False: there was no room, and it is counted."""
        length = len(message)
        packed = message[0] | (message[1] << 8 if length > 1 else 0)
        if length > 2:
            packed |= message[2] << 16
        with self._lock:
            words = self._words
            note = packed & 0xF0 == 0x90 and packed >> 16 > 0
            position = self._written
            if position >= self._full_at:
                self._full_at = words[_READ] + _USABLE
                if position >= self._full_at:
                    words[_OVERFLOWS] += 1
                    words[_LOST_NOTES] += note
                    return False
            lap, slot = divmod(position, SLOTS)
            stamp = ((lap + 1) & 0xFFFF) << 48
            at = _HEAD + 2 * slot
            words[at] = stamp | (time_us & _TIME)
            words[at + 1] = stamp | (controller & 0xFFFF) << 32 | length << 24 | packed
            self._written = words[_WRITTEN] = position + 1
            if note:
                words[_NOTES] += 1
        return True

    def get(self) -> tuple[int, int, bytes] | None:
        """Take the oldest message: its time, controller and bytes. Real-time safe."""
        words = self._words
        position = words[_READ]
        lap, slot = divmod(position, SLOTS)
        due = (lap + 1) & 0xFFFF
        at = _HEAD + 2 * slot
        first, second = words[at], words[at + 1]
        if first >> 48 != due or second >> 48 != due:
            return None
        words[_READ] = position + 1
        message = (second & 0xFFFFFF).to_bytes(3, "little")[: second >> 24 & 0xFF]
        return first & _TIME, second >> 32 & 0xFFFF, message

    def take_lost_notes(self) -> int:
        """Return the note-ons lost for want of room since the last call; for the consumer."""
        words = self._words
        lost = words[_LOST_NOTES]
        fresh = lost - words[_BOOKED_NOTES]
        if fresh:
            words[_BOOKED_NOTES] = lost
        return fresh

    @property
    def waiting(self) -> int:
        """Messages put and not yet taken."""
        return self._words[_WRITTEN] - self._words[_READ]

    @property
    def overflows(self) -> int:
        """Messages of any kind that found no room, since the memory was made."""
        return self._words[_OVERFLOWS]

    @property
    def overflowed_notes(self) -> int:
        """Note-ons that found no room, since the memory was made."""
        return self._words[_LOST_NOTES]

    @property
    def notes(self) -> int:
        """Note-ons that did get in, since the memory was made.

        What a player's ledger has not booked of them when it is killed was cut with it.
        """
        return self._words[_NOTES]
