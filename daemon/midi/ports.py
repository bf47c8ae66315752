"""The MIDI inputs of the machine, and the way back to whoever plays them.

Units: microseconds of the monotonic clock.
Threads: listing, opening and closing belong to one thread; ``on_message`` is called by the MIDI
library's own, one thread for each open port.

ALSA where the kernel has its sequencer, else a JACK server that runs, else nothing for now: both
are looked for again as long as nothing is there. Names are as the library gives them, with ALSA's
client numbers; `device` takes those off.
"""

import gc
import os
import time
from collections.abc import Callable, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any, Protocol

from daemon.errors import DeviceError
from daemon.linux.sound_devices import card_of
from daemon.linux.sysfs import matching
from daemon.midi.jack_server import client_life, server_life
from daemon.midi.port_choice import NUMBERS, OWN_NAME, device
from daemon.midi.timestamps import Arrival

OnMessage = Callable[[Sequence[int], int], None]
Closer = Callable[[], None]

_LOOK_AGAIN_US = 1_000_000
_READS = 5
_ON_ITS_WAY_S = 0.01
_SENT_S = 0.05


class MidiPorts(Protocol):
    """Where the controllers are plugged in."""

    def names(self) -> list[str]:
        """Return the names of the inputs that are there now."""

    def open(self, name: str, on_message: OnMessage) -> Closer:
        """Have ``on_message(message, time_us)`` called; return what closes the port."""

    def answer(self, name: str, message: bytes) -> bool:
        """Send a message to the output of the device that has this input; False: there is none."""


def steady(read: Callable[[], list[str] | None]) -> list[str]:
    """Return a list that was read twice alike.

    The library asks for one port after another: while one comes or goes, others that are there all
    the time may be missing, or it fails. Whoever was missing once would lose the notes it holds.
    """
    names = read()
    for _ in range(_READS):
        before, names = names, read()
        if names == before:
            break
    return names or []


class NoPorts:
    """What there is without a MIDI library: nothing."""

    system = ""

    def names(self) -> list[str]:
        """Return no names."""
        return []

    def open(self, name: str, on_message: OnMessage) -> Closer:
        """Refuse."""
        raise OSError(f"no MIDI input '{name}'")

    def answer(self, name: str, message: bytes) -> bool:
        """Refuse."""
        return False

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
            port.ignore_types(sysex=False, timing=False, active_sense=False)
            kept.extend(_made_to_hold(kept, lambda: port.set_callback(arrived, kept)))
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

    def answer(self, name: str, message: bytes) -> bool:
        """Send a message to the output of the device that has this input; False: there is none."""
        try:
            output = self._rtmidi.MidiOut(self._interface(), name=OWN_NAME)
        except (OSError, self._rtmidi.RtMidiError):
            return False
        try:
            outputs = output.get_ports()
            likely = [each for each in outputs if each == name] or [
                each for each in outputs if device(each) == device(name)
            ]
            if likely:
                output.open_port(outputs.index(likely[0]), "out")
                output.send_message(message)
                # JACK sends it with its next period.
                time.sleep(_SENT_S if self.system == "JACK" else 0.0)
            return bool(likely)
        except (OSError, ValueError, self._rtmidi.RtMidiError):
            return False
        finally:
            output.delete()

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
        return steady(self._read)

    def _read(self) -> list[str] | None:
        try:
            return [str(name) for name in self._lister.get_ports()]
        except (OSError, self._rtmidi.RtMidiError):
            return None

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
        numbers = NUMBERS.search(name)
        card = card_of(int(numbers[1])) if numbers else -1
        if self.system != "ALSA" or card < 0:
            return None
        nodes = matching(self._sound_devices, f"midiC{card}D*")
        try:
            statuses = [node.stat() for node in nodes]
        except OSError:
            return None
        return [status.st_ino for status in statuses]


def _made_to_hold(value: object, make: Callable[[], object]) -> list[object]:
    """Return the tuples made meanwhile that hold a value.

    rtmidi lets go of its own at once when a callback is cancelled, though one that is on its way
    still uses it. What is frozen is not looked through: all there is would take milliseconds, in
    which no other message gets the interpreter.
    """
    gc.freeze()
    try:
        make()
        return [held for held in gc.get_referrers(value) if type(held) is tuple]
    finally:
        gc.unfreeze()
