"""Where the controls stood, over a restart of the service: level, knobs, tuning, and by gestures.

Threads: the main loop's alone.

It is kept in the runtime folder, which is memory, and holds for one power-on only: after a
power-off other headphones may be plugged in. For the same reason what is louder than at power-on
comes back on the same card alone (`daemon.keeper.safe_volume`). Left out is what springs back when
it is released, since that may have been missed, and the sound, which files name or
`daemon.storage.learned` keeps.
"""

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

from config.gestures import RESTS, RESUME, ZONE_OFF
from config.toml.files import read_text, write_atomic
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.linux.boot import boot_id
from daemon.midi.channel_controls import CONTROL_CHANGE
from daemon.midi.channel_state import ChannelState
from daemon.midi.controllers import Controllers
from daemon.storage.deferred_writes import Request, Write

WORDS = "where the controls stood"
# Bank and modulation, coarse and fine; the pedals, which are up or down.
_LEFT_OUT = {0, 32, 1, 33, *range(64, 70)}

Messages = Sequence[tuple[int, bytes]]
"""Controller and message, in their order."""


class Session(NamedTuple):
    """What a later daemon is brought to."""

    card: str = ""
    """The identity of the card that played."""
    devices: Sequence[tuple[str, str]] = ()
    """Name and serial number of the controllers, in the order of their numbers."""
    controls: Messages = ()
    exclusives: Messages = ()
    rests: Messages = ()
    """Where controls stood when a sound was kept as they had made it."""


class SessionState:
    """The file, and the parts of the daemon that it is about.

    Parameters
    ----------
    channel_state, controllers, supervisor
        Where the controls, the devices and the card are found.
    request
        Requests a deferred write.
    place
        The file, in a folder that does not outlive the power.
    boot
        The kernel's name of this power-on, should the folder outlive it all the same; empty:
        nothing is kept.
    """

    def __init__(
        self,
        channel_state: ChannelState,
        controllers: Controllers,
        supervisor: PlayerSupervisor,
        request: Request,
        place: Path,
        boot: str | None = None,
    ) -> None:
        self._channel_state, self._controllers = channel_state, controllers
        self._supervisor = supervisor
        self._request, self._place = request, place
        self._boot = boot_id() if boot is None else boot
        self._last = Session()

    def restore(self) -> None:
        """Bring a daemon that has just begun to where another was, as far as its controllers go.

        What is damaged or missing is nothing.
        """
        with suppress(Exception):
            plain = json.loads(read_text(self._place))
            if self._boot and plain.pop("boot") == self._boot:
                self._last = _from_plain(plain)
        kept = self._last
        if kept == Session():
            return
        numbers = self._controllers.adopt(kept.devices)
        for controller, message in kept.rests:
            if controller in numbers:
                self._channel_state.rest_again(numbers[controller], message)
        for controller, message in kept.controls:
            if message[:2] == bytes((RESUME, ZONE_OFF)):
                self._channel_state.resume(0, message)  # of every controller
            elif controller in numbers and message[0] == RESUME:
                self._channel_state.resume(numbers[controller], message)
            elif controller in numbers:
                self._channel_state.record(message, numbers[controller])
        found = [(numbers[each], message) for each, message in kept.exclusives if each in numbers]
        self._supervisor.recall(kept.card, found)

    def look(self) -> None:
        """Have the present state kept if it is another than before."""
        now = Session(
            self._supervisor.known_card,
            self._controllers.known,
            [each for each in self._channel_state.messages() if self._stays(*each)],
            list(self._supervisor.exclusives),
            self._channel_state.rests(),
        )
        if self._boot and now != self._last:
            self._last = now
            self._request(WORDS, self._compose)

    def _stays(self, controller: int, message: bytes) -> bool:
        """Return whether a message is about a control that stays, and that no kept sound has."""
        if message[0] == RESUME:
            return message[1] != RESTS
        rested = self._channel_state.is_rested(controller, message)
        return not rested and message[0] & 0xF0 == CONTROL_CHANGE and message[1] not in _LEFT_OUT

    def _compose(self) -> Write:
        last = self._last
        plain = {
            "boot": self._boot,
            "card": last.card,
            "devices": last.devices,
            "controls": [(number, message.hex()) for number, message in last.controls],
            "exclusives": [(number, message.hex()) for number, message in last.exclusives],
            "rests": [(number, message.hex()) for number, message in last.rests],
        }
        text = json.dumps(plain, ensure_ascii=False)
        return lambda: write_atomic(self._place, text)


def _from_plain(kept: Mapping[str, Any]) -> Session:
    controls, exclusives, rests = (
        [(int(number), bytes.fromhex(text)) for number, text in kept.get(key, ())]
        for key in ("controls", "exclusives", "rests")
    )
    devices = [(str(name), str(serial)) for name, serial in kept["devices"]]
    return Session(str(kept["card"]), devices, controls, exclusives, rests)
