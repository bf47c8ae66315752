"""Which MIDI inputs are controllers, and which device each belongs to, by their names.

Names are as the library gives them: client and port; ALSA's end in the client's number.

Threads: any.
"""

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from config.toml.printable import printable
from daemon.linux.sequencer import card_of_client, is_program
from daemon.linux.sound_devices import usb_serial

OWN_NAME = "partiald"
ALSA_NUMBERS = re.compile(r" (\d+):(\d+)$")
"""Client and port number, at the end of a name."""
_THROUGH = re.compile(r"\bthrough\b", re.IGNORECASE)
# As JACK's drivers and bridges call a port that leads to a device, whatever its flags say.
_PLAYBACK = re.compile(r"(\b|_)playback(_\d+)?\b", re.IGNORECASE)


class PortChoice(NamedTuple):
    """Whether a port is played, and why."""

    name: str
    chosen: bool
    why: str


def device_of(port: str) -> tuple[str, str]:
    """Return the name of a port's device, and what distinguishes it from others of that name.

    ``Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0`` belongs to the device
    ``Cargo Bike Keys 25``, ALSA's client ``20``. Under JACK every hardware port is called
    ``system:...``; there each is a device of its own. The name is printable, whatever the device
    calls itself.
    """
    numbers = ALSA_NUMBERS.search(port)
    bare = _bare(port)
    client, colon, _ = bare.partition(":")
    if not numbers and client == "system" and colon:
        return bare, ""
    return client.strip() or bare, numbers[1] if numbers else ""


def serial_of(port: str, sys: Path = Path("/sys")) -> str:
    """Return the serial number of the device behind an ALSA port; empty: it has none."""
    numbers = ALSA_NUMBERS.search(port)
    return usb_serial(card_of_client(int(numbers[1])), sys) if numbers else ""


def choose_ports(
    names: Sequence[str],
    wanted: str = "",
    wanted_serial: str = "",
    serial_of: Callable[[str], str] = serial_of,
) -> list[PortChoice]:
    """Return whether each port is played.

    Parameters
    ----------
    names
        As the library gives them.
    wanted
        Part of a name, in any case, without client numbers; empty: every controller, but none of
        the ports that programs offer through ALSA. Over JACK every port is a program's.
    wanted_serial
        The serial number, in any case, that it must have as well; empty: any, or none.
    """
    choices = [PortChoice(name, *_verdict(name, _bare(wanted.strip()))) for name in names]
    if not wanted_serial:
        return choices
    return [
        PortChoice(choice.name, False, f"not number '{wanted_serial}'")
        if choice.chosen and serial_of(choice.name).lower() != wanted_serial.strip().lower()
        else choice
        for choice in choices
    ]


def _bare(port: str) -> str:
    """Return a port's name as it is shown: without numbers, and printable."""
    return printable(ALSA_NUMBERS.sub("", port))


def _verdict(port: str, wanted: str) -> tuple[bool, str]:
    client, _ = device_of(port)
    bare = _bare(port)
    if _THROUGH.search(bare):
        return False, "a through port: it repeats what others play"
    if client.lower() == OWN_NAME or client.lower().startswith(OWN_NAME + "-"):
        return False, "partiald's own"
    if not ALSA_NUMBERS.search(port) and _PLAYBACK.search(bare.partition(":")[2]):
        return False, "a playback port: it takes what others play"
    if client == "System" or bare.rpartition(":")[2].strip().lower() in ("announce", "timer"):
        return False, "the system's own"
    if not wanted:
        numbers = ALSA_NUMBERS.search(port)
        if numbers and is_program(int(numbers[1])):
            return False, "a program: only played by name"
        return True, "a controller"
    if wanted.lower() in bare.lower():
        return True, f"named '{wanted}'"
    return False, f"not named '{wanted}'"
