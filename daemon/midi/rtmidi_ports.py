"""The machine's MIDI inputs through the library rtmidi, and replies to the devices behind them.

Units: microseconds of the monotonic clock.
Threads: listing, opening and closing belong to one thread; ``on_message`` is called on the MIDI
library's threads, one for each open port.

ALSA where the kernel has its sequencer, else a running JACK server, else nothing for now: both are
looked for again as long as nothing is there. Names are as the library gives them, with ALSA's
client numbers, which `daemon.midi.port_choice.device_of` removes.
"""

import gc
import os
import time
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import Any

from daemon.errors import DeviceError
from daemon.midi.jack_server import server_identity
from daemon.midi.port_choice import OWN_NAME, device_of
from daemon.midi.port_life import PortLives
from daemon.midi.ports import OnMessage, OpenOutput, OpenPort
from daemon.midi.timestamps import Timestamper

_RETRY_US = 1_000_000
_READS = 5
_LAST_CALLBACK_S = 0.01
_JACK_CONNECTS_US = 100_000
# A device sends what it has buffered in the first milliseconds, 16 messages in each.
_DRAIN_S = 0.02
_DRAINS = 5
_REAL_TIME = 0xF8


def read_twice(read: Callable[[], list[str] | None]) -> list[str]:
    """Return a list once two reads of it agree.

    The library asks for one port after another. While one comes or goes, others that are there all
    the time may be missing, or it fails; a port that was missing once would lose the notes it
    holds.
    """
    names = read()
    for _ in range(_READS):
        before, names = names, read()
        if names == before:
            break
    return names or []


class RtMidiPorts:
    """The inputs that rtmidi sees.

    Parameters
    ----------
    sound_devices
        The folder with the sequencer's and the interfaces' device nodes.
    clock_us
        The monotonic clock.
    proc
        The folder with the sequencer's list of clients.

    Raises
    ------
    DeviceError
        When the library is missing.
    """

    def __init__(
        self,
        sound_devices: Path = Path("/dev/snd"),
        clock_us: Callable[[], int] = lambda: time.monotonic_ns() // 1000,
        proc: Path = Path("/proc"),
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
        self._retry_us = 0
        self._server = ""
        self._lives = PortLives(sound_devices, proc)
        self._flushes: list[Callable[[], None]] = []
        self.system = ""
        """Where the inputs come from: ``ALSA``, ``JACK``, or an empty string."""

    def names(self) -> list[str]:
        """Return the names of the inputs that are there now."""
        for flush in list(self._flushes):
            flush()
        names = self._list()
        # JACK's library fails with two clients of which one has lost its server: the inputs that
        # are still open must be closed first.
        if not names and not self._lives and self._clock_us() >= self._retry_us:
            self._connect()
            self._retry_us = self._clock_us() + _RETRY_US
            names = self._list()
        # One that went and came back between two calls is left out until its open port, which is
        # deaf, has been closed.
        return [name for name in names if self._lives.goes_on(name, self.system)]

    def open(self, name: str, on_message: OnMessage) -> OpenPort:
        """Have ``on_message(message, time_us)`` called for what is sent from now on.

        A controller keeps what it sends while nobody listens, and sends it when it is opened: notes
        that are long over. These messages are dropped. JACK, which keeps nothing, takes some of its
        periods until a connection is in force.

        Raises
        ------
        OSError
            When the port is gone, or refuses.
        """
        if self._lister is None:
            raise OSError(f"no MIDI input '{name}'")
        port = self._rtmidi.MidiIn(self._interface(), name=OWN_NAME)
        timestamper = Timestamper()
        clock_us = self._clock_us
        kept: list[object] = []
        stale, draining = 0, True

        def callback(event: tuple[list[int], float], _: object = None) -> None:
            nonlocal stale
            message, interval_s = event
            time_us = timestamper.time_us(clock_us(), interval_s)
            if draining:
                stale += message[0] < _REAL_TIME
            else:
                on_message(message, time_us)

        try:
            index = port.get_ports().index(name)
            port.ignore_types(sysex=False, timing=False, active_sense=False)
            kept.extend(_tuples_holding(kept, lambda: port.set_callback(callback, kept)))
            self._lives.expect(name)
            port.open_port(index, "in")
            if port.get_ports()[index : index + 1] != [name]:
                raise OSError(f"the MIDI inputs changed while '{name}' was opened")
        except (ValueError, OSError, self._rtmidi.RtMidiError) as error:
            port.delete()
            if isinstance(error, ValueError):
                raise OSError(f"no MIDI input '{name}'") from error
            raise OSError(str(error)) from error
        self._lives.begin(name, self.system)
        for _ in range(_DRAINS):
            before = stale
            time.sleep(_DRAIN_S)
            if stale == before:
                break
        draining = False

        def close() -> None:
            self._lives.end(name)
            # `delete` holds the interpreter's lock while it waits for a running callback, which
            # needs that lock: so no other may begin, and the last one must have finished.
            port.cancel_callback()
            time.sleep(_LAST_CALLBACK_S)
            kept.clear()
            # Without `delete` the client, two threads and three descriptors would stay.
            port.delete()

        return OpenPort(close, stale)

    def output(self, name: str) -> OpenOutput | None:
        """Open the output of the device that has this input; None: it has none.

        JACK takes some of its periods until a connection is in force, and drops what comes earlier:
        that waits here, until one of the next calls of `names`.
        """
        try:
            output = self._rtmidi.MidiOut(self._interface(), name=OWN_NAME)
        except (OSError, self._rtmidi.RtMidiError):
            return None
        try:
            outputs = output.get_ports()
            matches = [each for each in outputs if each == name] or [
                each for each in outputs if device_of(each) == device_of(name)
            ]
            if matches:
                output.open_port(outputs.index(matches[0]), "out")
        except (OSError, ValueError, self._rtmidi.RtMidiError):
            matches = []
        if not matches:
            output.delete()
            return None

        waiting: list[bytes] = []
        in_force_us = self._clock_us() + _JACK_CONNECTS_US * (self.system == "JACK")

        def flush() -> None:
            while waiting and self._clock_us() >= in_force_us:
                with suppress(OSError, ValueError, self._rtmidi.RtMidiError):
                    output.send_message(waiting.pop(0))

        def send(message: bytes) -> None:
            waiting.append(message)
            flush()

        def close() -> None:
            self._flushes.remove(flush)
            output.delete()

        self._flushes.append(flush)
        return OpenOutput(send, close)

    def close(self) -> None:
        """Close the connection that lists the inputs."""
        if self._lister is not None:
            self._lister.delete()
            self._lister = None

    def _list(self) -> list[str]:
        if self._lister is None:
            return []
        if self.system == "JACK" and server_identity() != self._server:
            return []
        return read_twice(self._read)

    def _read(self) -> list[str] | None:
        try:
            return [str(name) for name in self._lister.get_ports()]
        except (OSError, self._rtmidi.RtMidiError):
            return None

    def _interface(self) -> int:
        rtmidi = self._rtmidi
        return int(rtmidi.API_LINUX_ALSA if self.system == "ALSA" else rtmidi.API_UNIX_JACK)

    def _connect(self) -> None:
        """Connect to the sequencer if there is one, else to a running JACK server.

        A JACK client whose server has died never sees another, so it is replaced; a client of the
        sequencer stays good.
        """
        sequencer = (self._sound_devices / "seq").exists()
        if self._lister is not None:
            server = server_identity()
            if self.system == "ALSA" or (server and server == self._server and not sequencer):
                return
        self.close()
        self.system = ""
        for system in ("ALSA", "JACK"):
            if system == "ALSA" and not sequencer:
                continue
            self.system, self._server = system, server_identity()
            try:
                self._lister = self._rtmidi.MidiIn(self._interface(), name=OWN_NAME)
            except (OSError, self._rtmidi.RtMidiError):
                self.system = ""
                continue
            return


def _tuples_holding(value: object, make: Callable[[], object]) -> list[object]:
    """Call ``make``; return the tuples it made that hold a value.

    rtmidi drops its own at once when a callback is cancelled, though a running one still uses it.
    Frozen objects are not searched: searching all of them would take milliseconds, in which no
    message gets the interpreter.
    """
    gc.freeze()
    try:
        make()
        return [held for held in gc.get_referrers(value) if type(held) is tuple]
    finally:
        gc.unfreeze()
