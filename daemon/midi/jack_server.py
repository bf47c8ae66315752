"""Whether a JACK server or client is still the one that was there before.

The library of a client goes on listing the ports of a server that was killed, from the memory that
it left behind; the kernel's list of sockets is right.

Threads: any.
"""

import os
from collections.abc import Mapping
from pathlib import Path


def server_identity(
    environment: Mapping[str, str] = os.environ, sockets: Path = Path("/proc/net/unix")
) -> str:
    """Return what differs between any two runs of the server; empty: no known one runs.

    It is the inode of jackd's listening socket. Another server that speaks JACK's protocol, as a
    desktop's sound server does, has none: its identity is always empty.
    """
    name = environment.get("JACK_DEFAULT_SERVER", "default")
    ending = f"/jack_{name}_{os.getuid()}_0"
    try:
        lines = sockets.read_text(errors="replace").splitlines()
    except OSError:
        return ""
    for line in lines:
        words = line.split()
        # Flags 00010000: it listens; the other lines are connections made to it.
        if len(words) == 8 and words[7].endswith(ending) and words[3] == "00010000":
            return words[6]
    return ""


def client_identity(
    client: str, environment: Mapping[str, str] = os.environ, memory: Path = Path("/dev/shm")
) -> object:
    """Return what differs between any two clients of one name; None: not known.

    The server makes a semaphore for each in shared memory, under its name.
    """
    server = environment.get("JACK_DEFAULT_SERVER", "default")
    name = f"jack_sem.{os.getuid()}_{server}_{client}".replace("/", "_")
    try:
        status = (memory / name).stat()
    except (OSError, ValueError):
        return None
    return status.st_ino, status.st_mtime_ns
