"""How a player ends: by its exit status, and with its parent."""

import ctypes
import enum
import os
import signal

_PR_SET_PDEATHSIG = 1


class Ending(enum.IntEnum):
    """Why the player left: its exit status."""

    ASKED = 0
    FAULT = 1
    """The instrument failed block after block, or the player itself did."""
    REFUSED = 3
    """No card, or none that could be opened."""
    LOST = 4
    """The card, or the sound server, went away."""


def follow_parent(parent: int) -> None:
    """Have the kernel kill this process when its parent dies; leave at once if it has."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
    if os.getppid() != parent:
        os._exit(Ending.ASKED)
