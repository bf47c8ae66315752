"""The controllers: found, opened, timed, lost, and found again.

Units: microseconds of the monotonic clock; controllers count from 0.
Threads: `Controllers.poll` and `close` belong to the main loop; messages come in on the MIDI
library's threads, and go straight into the ring.

All ports of one device share one controller number, and a device that returns under its name gets
the number it had. A device that is lost leaves a word in the ring, so that whatever it held is
released.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from daemon.ipc.message_ring import GONE
from daemon.midi.channel_state import ChannelState
from daemon.midi.controller_input import ControllerInput, Exclusives
from daemon.midi.port_choice import choose, device
from daemon.midi.ports import Closer, MidiPorts

log = logging.getLogger(__name__)

_RETRY_US = 1_000_000


@dataclass(frozen=True)
class Change:
    """A device that came or went."""

    kind: Literal["found", "lost", "refused"]
    name: str
    controller: int
    held: int = 0
    """How many keys were down when it was lost."""
    reason: str = ""
    """Why it could not be opened."""


@dataclass
class _Port:
    device: str
    instance: str
    controller: int
    close: Closer


class Controllers:
    """Keeps every wanted controller open.

    Parameters
    ----------
    ports
        Where they are plugged in.
    put
        Takes message, time and controller; False: there was no room.
    wanted
        Part of a controller's name; empty: every real one. It may change at any time.
    chase
        Told every message, so that a later player can be brought up to date.
    serial_of
        Returns a port's serial number, by its name; empty: it has none.
    """

    def __init__(
        self,
        ports: MidiPorts,
        put: Callable[[bytes, int, int], bool],
        wanted: str = "",
        chase: ChannelState | None = None,
        serial_of: Callable[[str], str] = lambda port: "",
    ) -> None:
        self.wanted = wanted
        self.wanted_serial = ""
        """The serial number it has to have as well; empty: any. It may change at any time."""
        self.chase = ChannelState() if chase is None else chase
        self.exclusives = Exclusives()
        """System exclusive messages that wait for the main loop."""
        self._ports = ports
        self._put = put
        self._open: dict[str, _Port] = {}
        self._serial_of = serial_of
        self._known: list[tuple[str, str]] = []
        self._refused: dict[str, int] = {}
        self._unsent: list[int] = []
        self._intakes: dict[int, ControllerInput] = {}
        self._messages_before = 0

    @property
    def messages(self) -> int:
        """Channel messages received."""
        return self._messages_before + sum(each.messages for each in self._intakes.values())

    @property
    def controllers(self) -> dict[int, str]:
        """The controllers that are there, by number."""
        return {port.controller: port.device for port in self._open.values()}

    @property
    def known(self) -> list[tuple[str, str]]:
        """Name and serial number of every controller that is or was there, by number."""
        return list(self._known)

    def expect(self, devices: Sequence[tuple[str, str]]) -> dict[int, int]:
        """Take those of another daemon's controllers that are there; before the first `poll`.

        Returns the number that each gets, by the one it had.
        """
        there = {(device(name)[0], self._serial_of(name)) for name in self._ports.names()}
        numbers = {}
        for number, each in enumerate(devices):
            if each in there:
                numbers[number] = len(self._known)
                self._known.append(each)
        return numbers

    def name(self, controller: int) -> str:
        """Return the name of a controller that is or was there."""
        return self._known[controller][0] if controller < len(self._known) else ""

    def poll(self, now_us: int) -> list[Change]:
        """Open what has appeared, close what has vanished; return what changed."""
        names = self._ports.names()
        choices = choose(names, self.wanted, self.wanted_serial, self._serial_of)
        chosen = [choice.name for choice in choices if choice.chosen]
        changes = self._drop([name for name in self._open if name not in chosen])
        changes += self._add([name for name in chosen if name not in self._open], now_us)
        for name in [name for name in self._refused if name not in chosen]:
            del self._refused[name]
        self._unsent = [each for each in self._unsent if not self._put(GONE, now_us, each)]
        for intake in self._intakes.values():
            intake.catch_up(now_us)
        return changes

    def let_go(self, now_us: int) -> None:
        """Have every note released and every controller put back, as if all were unplugged."""
        for controller in self.controllers:
            self.chase.forget(controller)
            self._unsent.append(controller)
        self.poll(now_us)

    def answer(self, controller: int, message: bytes) -> None:
        """Send a message back to a controller, if it listens."""
        for name, port in self._open.items():
            if port.controller == controller and self._ports.answer(name, message):
                return

    def close(self) -> None:
        """Close every port; nothing is put into the ring."""
        for port in self._open.values():
            port.close()
        self._open.clear()

    def _drop(self, names: Sequence[str]) -> list[Change]:
        before = self.controllers
        for name in names:
            port = self._open.pop(name)
            try:
                port.close()
            except Exception as fault:  # noqa: BLE001 - whatever a library says of what is gone
                log.debug("'%s' closed with a fault: %s", name, fault)
        changes = []
        for controller in before.keys() - self.controllers.keys():
            held = self.chase.held(controller)
            self.chase.forget(controller)
            self._unsent.append(controller)
            self._messages_before += self._intakes.pop(controller).messages
            changes.append(Change("lost", before[controller], controller, held))
        return changes

    def _add(self, names: Sequence[str], now_us: int) -> list[Change]:
        changes = []
        for name in names:
            if now_us < self._refused.get(name, now_us):
                continue
            client, instance = device(name)
            controller = self._number(client, instance, self._serial_of(name))
            is_new = controller not in self.controllers
            try:
                close = self._ports.open(name, self._intake(controller).port())
            except OSError as fault:
                if name not in self._refused:
                    changes.append(Change("refused", client, controller, reason=str(fault)))
                self._refused[name] = now_us + _RETRY_US
                continue
            self._refused.pop(name, None)
            self._open[name] = _Port(client, instance, controller, close)
            if is_new:
                changes.append(Change("found", client, controller))
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

    def _intake(self, controller: int) -> ControllerInput:
        """Return what the ports of a controller have in common."""
        if controller not in self._intakes:
            self._intakes[controller] = ControllerInput(
                controller, self._put, self.chase, self.exclusives
            )
        return self._intakes[controller]
