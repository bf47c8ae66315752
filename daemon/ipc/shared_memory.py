"""The memory that keeper and player share: the ring, the counters and the notes' outcomes.

Threads: each of the three says whose it is.
"""

import mmap

from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.ipc.note_events import NoteEvents

_COUNTERS_AT = MessageRing.SIZE
_EVENTS_AT = _COUNTERS_AT + SharedCounters.SIZE


def shared_memory() -> mmap.mmap:
    """Return memory that processes forked later share; zeroed, and gone with the last of them."""
    return mmap.mmap(-1, _EVENTS_AT + NoteEvents.SIZE)


def ring_in(memory: mmap.mmap) -> MessageRing:
    """Return the ring in the shared memory."""
    return MessageRing(memoryview(memory)[:_COUNTERS_AT])


def counters_in(memory: mmap.mmap) -> SharedCounters:
    """Return the counters in the shared memory."""
    return SharedCounters(memoryview(memory)[_COUNTERS_AT:_EVENTS_AT])


def note_events_in(memory: mmap.mmap) -> NoteEvents:
    """Return the notes' outcomes in the shared memory."""
    return NoteEvents(memoryview(memory)[_EVENTS_AT:])
