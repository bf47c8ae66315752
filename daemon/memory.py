"""The memory that keeper and players share: the ring, the board, and the outcomes of notes.

Threads: each of the three says whose it is.
"""

import mmap

from daemon.board import Board
from daemon.outcomes import Outcomes
from daemon.ring import Ring

MEMORY_BYTES = Ring.SIZE + Board.SIZE + Outcomes.SIZE


def shared_memory() -> mmap.mmap:
    """Return memory that processes forked later share; zeroed, and gone with the last of them."""
    return mmap.mmap(-1, MEMORY_BYTES)


def ring_in(memory: mmap.mmap) -> Ring:
    """Return the ring in the shared memory."""
    return Ring(memoryview(memory)[: Ring.SIZE])


def board_in(memory: mmap.mmap) -> Board:
    """Return the board in the shared memory."""
    return Board(memoryview(memory)[Ring.SIZE : Ring.SIZE + Board.SIZE])


def outcomes_in(memory: mmap.mmap) -> Outcomes:
    """Return the outcomes of notes in the shared memory."""
    return Outcomes(memoryview(memory)[Ring.SIZE + Board.SIZE : MEMORY_BYTES])
