"""MIDI inputs by their names: which device each belongs to, and which are controllers.

Names are as the library gives them: client and port, and behind ALSA's the client's number.
"""

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from daemon.linux.sound_devices import card_of, serial

OWN_NAME = "partiald"
NUMBERS = re.compile(r" (\d+):(\d+)$")
"""ALSA's client and port number."""
_THROUGH = re.compile(r"\bthrough\b", re.IGNORECASE)


class Choice(NamedTuple):
    """Whether a port is played, and why."""

    name: str
    chosen: bool
    why: str


def device(port: str) -> tuple[str, str]:
    """Return a port's device by name, and what tells it from others of the same name.

    ``Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0`` belongs to the device
    ``Cargo Bike Keys 25``, ALSA's client ``20``. Under JACK every hardware port is called
    ``system:...``; there each is a device of its own.
    """
    numbers = NUMBERS.search(port)
    bare = NUMBERS.sub("", port)
    client, colon, _ = bare.partition(":")
    if not numbers and client == "system" and colon:
        return bare, ""
    return client.strip() or bare, numbers[1] if numbers else ""


def serial_of(port: str, sys: Path = Path("/sys")) -> str:
    """Return the serial number of the device behind an ALSA port; empty: it has none."""
    numbers = NUMBERS.search(port)
    return serial(card_of(int(numbers[1])), sys) if numbers else ""


def choose(
    names: Sequence[str],
    wanted: str = "",
    wanted_serial: str = "",
    serial_of: Callable[[str], str] = serial_of,
) -> list[Choice]:
    """Return for every port whether it is played.

    Parameters
    ----------
    names
        As the library gives them.
    wanted
        Part of a name, upper or lower case, client numbers left out; empty: every controller.
    wanted_serial
        The serial number, upper or lower case, that it has to have as well; empty: any, or none.
    """
    choices = [Choice(name, *_verdict(name, NUMBERS.sub("", wanted.strip()))) for name in names]
    if not wanted_serial:
        return choices
    return [
        Choice(choice.name, False, f"not number '{wanted_serial}'")
        if choice.chosen and serial_of(choice.name).lower() != wanted_serial.strip().lower()
        else choice
        for choice in choices
    ]


def _verdict(port: str, wanted: str) -> tuple[bool, str]:
    client, _ = device(port)
    bare = NUMBERS.sub("", port)
    if _THROUGH.search(bare):
        return False, "a through port: it repeats what others play"
    if client.lower() == OWN_NAME or client.lower().startswith(OWN_NAME + "-"):
        return False, "partiald's own"
    if client == "System" or bare.rpartition(":")[2].strip().lower() in ("announce", "timer"):
        return False, "the system's own"
    if not wanted:
        return True, "a controller"
    if wanted.lower() in bare.lower():
        return True, f"named '{wanted}'"
    return False, f"not named '{wanted}'"
