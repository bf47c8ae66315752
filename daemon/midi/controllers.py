"""The controllers: found, opened, lost, and found again.

Units: microseconds of the monotonic clock; controllers are numbered from 0.
Threads: `Controllers` belongs to the main loop; messages come in on the MIDI library's threads, and
go straight into the ring.

All ports of one device share one controller number, and a device that returns under its name gets
the number it had. When a device is lost, a record in the ring has whatever it held released.
"""

import logging
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from config.bindings import Binding
from config.gestures import rested, telling
from config.settings import Controller
from config.shaped_sound import KEEPABLE
from daemon.ipc.message_ring import GONE, PANIC
from daemon.midi.channel_state import ChannelState
from daemon.midi.controller_input import ControllerInput, Put, SysexQueue
from daemon.midi.port_choice import choose_ports, device_of
from daemon.midi.ports import MidiPorts, OpenOutput, OpenPort
from daemon.midi.song import SONG, Song
from daemon.midi.turned_knobs import TurnedKnobs

log = logging.getLogger(__name__)

_RETRY_US = 1_000_000


class DeviceChange(NamedTuple):
    """A device that came, went, or could not be opened."""

    kind: Literal["found", "lost", "refused"]
    name: str
    controller: int
    held: int = 0
    """How many keys were down when it was lost."""
    reason: str = ""
    """Why it could not be opened."""


@dataclass
class _DevicePort:
    device: str
    instance: str
    controller: int
    port: OpenPort


class Controllers:
    """Keeps every wanted controller open.

    Parameters
    ----------
    ports
        Where they are plugged in.
    put
        Puts a message into the ring.
    wanted
        Part of a controller's name; empty: every real one. It may change at any time.
    channel_state
        Records every message, so that a later player can be brought up to date.
    serial_of
        Returns a port's serial number, by its name; empty: it has none.
    wake
        Wakes the main loop for a system exclusive message; called on a MIDI thread.
    """

    def __init__(
        self,
        ports: MidiPorts,
        put: Put,
        wanted: str = "",
        channel_state: ChannelState | None = None,
        serial_of: Callable[[str], str] = lambda port: "",
        wake: Callable[[], None] = lambda: None,
    ) -> None:
        self.wanted = wanted
        self.wanted_serial = ""
        """The serial number it must have as well; empty: any. It may change at any time."""
        self.channels: Collection[int] = range(16)
        """The channels listened to."""
        self.channel_state = ChannelState() if channel_state is None else channel_state
        self.turned = TurnedKnobs(self.channel_state)
        """Which knobs have been turned that can shape a sound."""
        self.sysex = SysexQueue(wake)
        """System exclusive messages that wait for the main loop."""
        self._ports = ports
        self._put = put
        self._open: dict[str, _DevicePort] = {}
        self._outputs: dict[str, OpenOutput | None] = {}
        """What was opened for `send`; None: the device has no output."""
        self._serial_of = serial_of
        self._known: list[tuple[str, str]] = []
        self._refused: dict[str, int] = {}
        self._due: list[tuple[bytes, int]] = []
        """Records that are still to go into the ring, and their controllers."""
        self._songs: dict[int, Song] = {}
        self._inputs: dict[int, ControllerInput] = {}
        self._messages_before = 0

    @property
    def messages(self) -> int:
        """Channel messages received."""
        return self._messages_before + sum(each.messages for each in self._inputs.values())

    @property
    def controllers(self) -> dict[int, str]:
        """The controllers that are there, by number; a song that plays is one."""
        there = {port.controller: port.device for port in self._open.values()}
        return there | {number: song.name for number, song in self._songs.items()}

    @property
    def known(self) -> list[tuple[str, str]]:
        """Name and serial number of every controller that is or was there, by number."""
        return list(self._known)

    def adopt(self, devices: Sequence[tuple[str, str]]) -> dict[int, int]:
        """Reserve numbers for those of an earlier daemon's controllers that are there.

        Only before the first `poll`. Returns the new number of each by the one it had.
        """
        present = {(device_of(name)[0], self._serial_of(name)) for name in self._ports.names()}
        numbers = {}
        for number, each in enumerate(devices):
            if each in present:
                numbers[number] = len(self._known)
                self._known.append(each)
        return numbers

    def name(self, controller: int) -> str:
        """Return the name of a controller that is or was there."""
        return self._known[controller][0] if controller < len(self._known) else ""

    def poll(self, now_us: int) -> list[DeviceChange]:
        """Open what has appeared, close what has vanished; return what changed."""
        names = self._ports.names()
        choices = choose_ports(names, self.wanted, self.wanted_serial, self._serial_of)
        chosen = [choice.name for choice in choices if choice.chosen]
        changes = self._close_ports([name for name in self._open if name not in chosen])
        changes += self._open_ports([name for name in chosen if name not in self._open], now_us)
        for name in [name for name in self._refused if name not in chosen]:
            del self._refused[name]
        self._due = [each for each in self._due if not self._put(each[0], now_us, each[1])]
        for controller_input in self._inputs.values():
            controller_input.put_overdue(now_us)
        return changes

    def use(self, wanted: Controller) -> None:
        """Put in force which controllers, and which of their channels, are listened to."""
        self.wanted, self.wanted_serial = wanted.name, wanted.serial
        self.channels = wanted.heard

    def release_all(self, now_us: int) -> None:
        """Have every note released and every controller reset, as if all were unplugged."""
        for controller in self.controllers:
            self.channel_state.reset(controller)
            self._due.append((GONE, controller))
        self.poll(now_us)

    def panic(self, now_us: int) -> None:
        """Have every note of every controller ended at once; controls stay where they are."""
        self.channel_state.lift()
        for song in self._songs.values():
            song.stop()
        self._due.append((PANIC, 0))
        self.poll(now_us)

    def ask_moves(self, now_us: int) -> None:
        """Have the player tell what knobs have made of the sound, as a gesture without words."""
        self._put(telling(), now_us, 0)

    def rest(self, bindings: Sequence[Binding], now_us: int, *, as_told: bool) -> None:
        """Have knobs at rest once the next settings bring a sound that has what they made.

        ``as_told``: had made when that was last told; or else, whatever they have made.
        """
        kept = {b.control for b in bindings if b.stays and b.target in KEEPABLE}
        self.channel_state.rest({each.control for each in bindings}, kept)
        self._put(rested(as_told=as_told), now_us, 0)

    def add_song(self, name: str, now_us: int) -> Song:
        """Admit a song as one more controller; what one before it left behind is over.

        Raises
        ------
        OSError
            When the ring is full.
        """
        number = self._number(SONG, "", "")
        if not self._put(GONE, now_us, number):
            raise OSError("too much is waiting to be played; try again")
        song = self._songs[number] = Song(name, number, self._put)
        if number in self._inputs:
            self._messages_before += self._inputs[number].messages
        self._inputs[number] = song.input  # it stays there: what it held may be overdue
        return song

    def end_song(self, song: Song, now_us: int) -> None:
        """Release whatever a song holds; its notes die away."""
        song.let_go(now_us)
        self._songs.pop(song.number, None)

    def send(self, controller: int, message: bytes) -> None:
        """Send a message to a controller that has an input, which stays open for more."""
        for name, port in self._open.items():
            if port.controller == controller:
                if name not in self._outputs:
                    self._outputs[name] = self._ports.output(name)
                output = self._outputs[name]
                if output is not None:
                    output.send(message)
                    return

    def close(self) -> None:
        """Close every port; nothing is put into the ring."""
        for name in list(self._outputs):
            self._close_output(name)
        for port in self._open.values():
            port.port.close()
        self._open.clear()

    def _close_output(self, name: str) -> None:
        output = self._outputs.pop(name, None)
        if output is not None:
            output.close()

    def _close_ports(self, names: Sequence[str]) -> list[DeviceChange]:
        before = self.controllers
        for name in names:
            port = self._open.pop(name)
            try:
                self._close_output(name)
                port.port.close()
            except Exception as fault:  # noqa: BLE001 - the library may raise anything by now
                log.debug("'%s' closed with a fault: %s", name, fault)
        changes = []
        for controller in before.keys() - self.controllers.keys():
            held = self.channel_state.held_keys(controller, self.channels)
            self.channel_state.reset(controller)
            self._due.append((GONE, controller))
            self._messages_before += self._inputs.pop(controller).messages
            changes.append(DeviceChange("lost", before[controller], controller, held))
        return changes

    def _open_ports(self, names: Sequence[str], now_us: int) -> list[DeviceChange]:
        changes = []
        for name in names:
            if now_us < self._refused.get(name, now_us):
                continue
            client, instance = device_of(name)
            controller = self._number(client, instance, self._serial_of(name))
            is_new = controller not in self.controllers
            try:
                port = self._ports.open(name, self._input(controller).add_port())
            except OSError as fault:
                if name not in self._refused:
                    changes.append(DeviceChange("refused", client, controller, reason=str(fault)))
                self._refused[name] = now_us + _RETRY_US
                continue
            self._refused.pop(name, None)
            self._open[name] = _DevicePort(client, instance, controller, port)
            if port.stale:
                log.info(
                    "'%s': dropped %d messages that it had sent before it was opened",
                    client,
                    port.stale,
                )
            if is_new:
                self._input(controller).plugged(now_us)
                changes.append(DeviceChange("found", client, controller))
        return changes

    def _number(self, client: str, instance: str, serial: str) -> int:
        """Return the controller number of a device: its open one, one it had, or a new one."""
        for port in self._open.values():
            if (port.device, port.instance) == (client, instance):
                return port.controller
        taken = self.controllers
        for number, known in enumerate(self._known):
            if known == (client, serial) and number not in taken:
                return number
        self._known.append((client, serial))
        return len(self._known) - 1

    def _input(self, controller: int) -> ControllerInput:
        """Return what the ports of a controller share."""
        if controller not in self._inputs:
            self._inputs[controller] = ControllerInput(
                controller, self._put, self.channel_state, self.sysex
            )
        return self._inputs[controller]
