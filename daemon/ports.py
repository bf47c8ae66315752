"""The MIDI inputs of the machine, and which of them are controllers.

Units: microseconds of the monotonic clock.
Threads: listing, opening and closing belong to one thread; ``on_message`` is called by the MIDI
library's own, one thread for each open port.

ALSA where the kernel has its sequencer, else a JACK server that runs, else nothing for now: both
are looked for again as long as nothing is there. Names are as the library gives them, with ALSA's
client numbers; `device` takes those off.
"""

import gc
import os
import re
import time
from collections.abc import Callable, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from daemon.arrival import Arrival
from daemon.faults import DeviceError
from daemon.jack import client_life, server_life
from daemon.kernelcards import card_of, serial

OnMessage = Callable[[Sequence[int], int], None]
Closer = Callable[[], None]

OWN_NAME = "partiald"
_NUMBERS = re.compile(r" (\d+):(\d+)$")
_THROUGH = re.compile(r"\bthrough\b", re.IGNORECASE)
_LOOK_AGAIN_US = 1_000_000
_ON_ITS_WAY_S = 0.01


class MidiPorts(Protocol):
    """Where the controllers are plugged in."""

    def names(self) -> list[str]:
        """Return the names of the inputs that are there now."""

    def open(self, name: str, on_message: OnMessage) -> Closer:
        """Have ``on_message(message, time_us)`` called; return what closes the port."""


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
    numbers = _NUMBERS.search(port)
    bare = _NUMBERS.sub("", port)
    client, colon, _ = bare.partition(":")
    if not numbers and client == "system" and colon:
        return bare, ""
    return client.strip() or bare, numbers[1] if numbers else ""


def serial_of(port: str, sys: Path = Path("/sys")) -> str:
    """Return the serial number of the device behind an ALSA port; empty: it has none."""
    numbers = _NUMBERS.search(port)
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
    choices = [Choice(name, *_verdict(name, _NUMBERS.sub("", wanted.strip()))) for name in names]
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
    bare = _NUMBERS.sub("", port)
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


class NoPorts:
    """What there is without a MIDI library: nothing."""

    system = ""

    def names(self) -> list[str]:
        """Return no names."""
        return []

    def open(self, name: str, on_message: OnMessage) -> Closer:
        """Refuse."""
        raise OSError(f"no MIDI input '{name}'")

    def close(self) -> None:
        """Do nothing."""


class RtMidiPorts:
    """The inputs that rtmidi sees.

    Parameters
    ----------
    sound_devices
        The folder with the sequencer's and the interfaces' device nodes.
    clock_us
        The monotonic clock.

    Raises
    ------
    DeviceError
        When the library is missing.
    """

    def __init__(
        self,
        sound_devices: Path = Path("/dev/snd"),
        clock_us: Callable[[], int] = lambda: time.monotonic_ns() // 1000,
    ) -> None:
        try:
            self._rtmidi: Any = import_module("rtmidi")
        except ImportError as error:
            raise DeviceError(
                f"no MIDI input: the module rtmidi can't be used ({error}); it comes with "
                "'pip install python-rtmidi', or on Debian with 'apt install python3-rtmidi'"
            ) from error
        # Asking for a server must never start one.
        os.environ.setdefault("JACK_NO_START_SERVER", "1")
        self._sound_devices = sound_devices
        self._clock_us = clock_us
        self._lister: Any = None
        self._look_again_us = 0
        self._server = ""
        self._nodes: dict[str, object] = {}
        self.system = ""
        """What the inputs come from: ``ALSA``, ``JACK``, or nothing."""

    def names(self) -> list[str]:
        """Return the names of the inputs that are there now."""
        names = self._list()
        # JACK's library does not stand two clients of which one has lost its server: the inputs
        # that are still open have to be closed first.
        if not names and not self._nodes and self._clock_us() >= self._look_again_us:
            self._connect()
            self._look_again_us = self._clock_us() + _LOOK_AGAIN_US
            names = self._list()
        # A device that went and came back between two looks has a new node, and is deaf: it is
        # left out until whoever opened it has closed it.
        return [n for n in names if n not in self._nodes or self._node(n) == self._nodes[n]]

    def open(self, name: str, on_message: OnMessage) -> Closer:
        """Have ``on_message(message, time_us)`` called; return what closes the port.

        Raises
        ------
        OSError
            When the port is gone, or refuses.
        """
        if self._lister is None:
            raise OSError(f"no MIDI input '{name}'")
        port = self._rtmidi.MidiIn(self._interface(), name=OWN_NAME)
        arrival = Arrival()
        clock_us = self._clock_us
        kept: list[object] = []

        def arrived(event: tuple[list[int], float], _: object = None) -> None:
            message, interval_s = event
            on_message(message, arrival.time_us(clock_us(), interval_s))

        try:
            place = port.get_ports().index(name)
            port.ignore_types(sysex=False, timing=True, active_sense=False)
            port.set_callback(arrived, kept)
            # rtmidi lets go of this at once when the callback is cancelled, though one that is on
            # its way still uses it.
            kept.extend(held for held in gc.get_referrers(kept) if type(held) is tuple)
            port.open_port(place, "in")
            if port.get_ports()[place : place + 1] != [name]:
                raise OSError(f"the MIDI inputs changed while '{name}' was opened")
        except (ValueError, OSError, self._rtmidi.RtMidiError) as error:
            port.delete()
            if isinstance(error, ValueError):
                raise OSError(f"no MIDI input '{name}'") from error
            raise OSError(str(error)) from error
        self._nodes[name] = self._node(name)

        def close() -> None:
            self._nodes.pop(name, None)
            # `delete` keeps the interpreter's lock while it waits for a callback that is on its way
            # and needs that lock: so no other may begin, and the last has to get through.
            port.cancel_callback()
            time.sleep(_ON_ITS_WAY_S)
            kept.clear()
            # Without `delete` the client, two threads and three descriptors would stay.
            port.delete()

        return close

    def close(self) -> None:
        """Give up the connection that lists the inputs."""
        if self._lister is not None:
            self._lister.delete()
            self._lister = None

    def _list(self) -> list[str]:
        if self._lister is None:
            return []
        if self.system == "JACK" and server_life() != self._server:
            return []
        try:
            return [str(name) for name in self._lister.get_ports()]
        except (OSError, self._rtmidi.RtMidiError):
            return []

    def _interface(self) -> int:
        rtmidi = self._rtmidi
        return int(rtmidi.API_LINUX_ALSA if self.system == "ALSA" else rtmidi.API_UNIX_JACK)

    def _connect(self) -> None:
        """Take the sequencer if there is one, else a running JACK server.

        A JACK client whose server has died never sees another, so it is made anew; one of the
        sequencer stays good.
        """
        sequencer = (self._sound_devices / "seq").exists()
        if self._lister is not None:
            life = server_life()
            if self.system == "ALSA" or (life and life == self._server and not sequencer):
                return
        self.close()
        self.system = ""
        for system in ("ALSA", "JACK"):
            if system == "ALSA" and not sequencer:
                continue
            self.system, self._server = system, server_life()
            try:
                self._lister = self._rtmidi.MidiIn(self._interface(), name=OWN_NAME)
            except (OSError, self._rtmidi.RtMidiError):
                self.system = ""
                continue
            return

    def _node(self, name: str) -> object:
        """Return what changes when the device behind a port is plugged in anew."""
        if self.system == "JACK":
            return client_life(name.partition(":")[0])
        numbers = _NUMBERS.search(name)
        card = card_of(int(numbers[1])) if numbers else -1
        if self.system != "ALSA" or card < 0:
            return None
        nodes = sorted(self._sound_devices.glob(f"midiC{card}D*"))
        try:
            statuses = [node.stat() for node in nodes]
        except OSError:
            return None
        return [(status.st_ino, status.st_ctime_ns) for status in statuses]
