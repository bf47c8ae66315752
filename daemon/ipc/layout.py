"""The memory that keeper and players share: the ring, the board, and the outcomes of notes.

Threads: each of the three says whose it is.
"""

import mmap

from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.ipc.note_events import NoteEvents

MEMORY_BYTES = MessageRing.SIZE + SharedCounters.SIZE + NoteEvents.SIZE


def shared_memory() -> mmap.mmap:
    """Return memory that processes forked later share; zeroed, and gone with the last of them."""
    return mmap.mmap(-1, MEMORY_BYTES)


def ring_in(memory: mmap.mmap) -> MessageRing:
    """Return the ring in the shared memory."""
    return MessageRing(memoryview(memory)[: MessageRing.SIZE])


def board_in(memory: mmap.mmap) -> SharedCounters:
    """Return the board in the shared memory."""
    return SharedCounters(
        memoryview(memory)[MessageRing.SIZE : MessageRing.SIZE + SharedCounters.SIZE]
    )


def outcomes_in(memory: mmap.mmap) -> NoteEvents:
    """Return the outcomes of notes in the shared memory."""
    return NoteEvents(memoryview(memory)[MessageRing.SIZE + SharedCounters.SIZE : MEMORY_BYTES])
