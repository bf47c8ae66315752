"""The clients of ALSA's sequencer: devices and programs, and who listens to these.

Threads: any; every call reads afresh.

A device's clients have the numbers of its card; a program gets the first free one from 128 on, the
same as another that has just gone. What a port is connected to ends with its program, and a new
one under that number has nothing: that tells them apart.
"""

import re
from pathlib import Path

from daemon.linux.sysfs import content

FIRST_PROGRAM = 128
"""SNDRV_SEQ_DYNAMIC_CLIENTS_BEGIN of sound/core/seq/seq_clientmgr.c, in Linux."""
_CLIENT = re.compile(r"Client\s+(\d+) :")
_PORT = re.compile(r"\s+Port\s+(\d+) :")
_ADDRESS = re.compile(r"\b(\d+:\d+)")


def is_program(client: int) -> bool:
    """Return whether a client is a program, not a device."""
    return client >= FIRST_PROGRAM


def card_of_client(client: int) -> int:
    """Return the number of the card behind a client of the sequencer; -1: none."""
    # The kernel gives the clients of card n the four numbers from 16 + 4 n on.
    return (client - 16) // 4 if 16 <= client < FIRST_PROGRAM else -1


def listeners(client: int, port: int, proc: Path = Path("/proc")) -> frozenset[str]:
    """Return where a port's messages go, as client and port; nowhere if it is not there."""
    here = (-1, -1)
    for line in content(proc / "asound/seq/clients").split("\n"):
        if found := _CLIENT.match(line):
            here = (int(found[1]), -1)
        elif found := _PORT.match(line):
            here = (here[0], int(found[1]))
        elif here == (client, port) and line.strip().startswith("Connecting To:"):
            return frozenset(_ADDRESS.findall(line))
    return frozenset()
