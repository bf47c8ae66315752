"""The command ``partiald run``: the daemon itself, until it is stopped.

SIGTERM and SIGINT end it with 0; SIGHUP reads the settings again; an edited settings file is
noticed without.
"""

import ctypes
import gc
import sys
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from daemon import log as logs
from daemon.control.instance_lock import InstanceLock
from daemon.ipc.shared_memory import shared_memory
from daemon.linux.stderr import silence_libraries
from daemon.player.fork_server import ForkServer

if TYPE_CHECKING:
    import argparse

SWITCH_INTERVAL_S = 5e-4
"""How long a message may wait for the interpreter's lock; the usual 5 ms are several blocks."""

SHARED = (
    *("config.library", "config.settings", "daemon.player.governor"),
    *("daemon.soundcard.card_list", "daemon.soundcard.mixer", "voices.curves"),
    "voices.receiver.gestures",
)
"""With what these import, all that keeper and player have in common."""

_PR_SET_THP_DISABLE = 41


def run(arguments: "argparse.Namespace") -> int:
    """Play as the command line says; return 0 when stopped, 1 when nothing can play any more."""
    return play(arguments.settings, verbose=arguments.verbose)


def play(settings: Path | None = None, *, verbose: bool = False) -> int:
    """Play; return 0 when stopped, 1 when no player can be started any more.

    ``settings``: a file that stands for all settings files; None: the usual ones.
    """
    keep_pages_small()
    # Of what a start imports nothing goes again: the collector would look for it in vain.
    gc.disable()
    # Before the log takes stderr over: what C libraries write there does not concern the user.
    silence_libraries()
    logs.set_up(verbose)
    lock = InstanceLock()
    try:
        # A fork copies only the thread that forks, and what is imported by then is there once for
        # both. From here on both import the rest at the same time.
        for shared in SHARED:
            import_module(shared)
        memory = shared_memory()
        fork_server = ForkServer(memory, keep_out=[lock.descriptor])
        sys.setswitchinterval(SWITCH_INTERVAL_S)
        from daemon.keeper.build import build

        loop = build(settings, lock, memory, fork_server)
        gc.freeze()
        gc.enable()
        return loop.run()
    finally:
        lock.release()


def keep_pages_small() -> None:
    """Forbid the kernel to make huge pages for this process and all that are forked from it.

    Debian's looks through all memory, again and again, and makes a page of 2 MiB of every 512 small
    ones of which a single one is in use: within minutes, and while it plays, the player would take
    15 MiB more (measured on a board, Linux 6.12). See prctl(2).
    """
    ctypes.CDLL(None).prctl(_PR_SET_THP_DISABLE, 1, 0, 0, 0)
