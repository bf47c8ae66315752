"""Bluetooth speakers that are connected, as the system's Bluetooth and its ALSA bridge list them.

Units: rates in frames per second.
Threads: `connected_speakers` any; `SpeakerWatch` the main loop's alone.

The sound library does not list the bridge. It is opened by its own name for ALSA, one for each
speaker; without the bridge's ALSA plug-in nothing is asked for.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from config.toml.printable import printable
from daemon.linux.message_bus import BUS, MessageBus, Objects
from daemon.soundcard.card import Card

BRIDGE = Path("/etc/alsa/conf.d/20-bluealsa.conf")
"""What Debian's package of the plug-in brings."""
_BRIDGE, _BLUETOOTH = "org.bluealsa", "org.bluez"
_PATHS = {_BRIDGE: "/org/bluealsa", _BLUETOOTH: "/"}
_LIMIT_S = 1.0


def speakers(streams: Objects, devices: Objects) -> list[Card]:
    """Return the speakers, the one connected last first.

    Parameters
    ----------
    streams, devices
        What the bridge lists, and what Bluetooth itself does.
    """
    found: list[tuple[int, Card]] = []
    for interfaces in streams.values():
        stream = interfaces.get("org.bluealsa.PCM1", {})
        if stream.get("Mode") != "sink" or stream.get("Transport") != "A2DP-source":
            continue
        path = _device(interfaces)
        device = devices.get(path, {}).get("org.bluez.Device1", {})
        address = path.rpartition("/dev_")[2].replace("_", ":")
        found.append((_number(stream, "Sequence"), _card(stream, device, address)))
    return [card for _, card in sorted(found, key=lambda each: -each[0])]


def connected_speakers(bridge: Path = BRIDGE, bus: Path = BUS) -> list[Card]:
    """Return the speakers that are connected now; none in a second without an answer."""
    if not bridge.exists():
        return []
    try:
        connection = MessageBus(bus)
    except OSError:
        return []
    try:
        numbers = [connection.ask_for_objects(*each) for each in _PATHS.items()]
        replies = connection.wait(set(numbers), _LIMIT_S)
    except OSError:
        return []
    finally:
        connection.close()
    streams, devices = (replies.get(number, {}) for number in numbers)
    return speakers(streams, devices)


class SpeakerWatch:
    """The speakers, without a wait: each look brings what the one before it asked for.

    Bluetooth itself, which lists every device it ever met, is only asked about a speaker that is
    new.
    """

    def __init__(self, bridge: Path = BRIDGE, bus: Path = BUS) -> None:
        self._bridge, self._path = bridge, bus
        self._bus: MessageBus | None = None
        self._asked, self._number = "", 0
        self._streams: Objects = {}
        self._devices: Objects = {}
        self._present: list[Card] = []

    def look(self) -> list[Card]:
        """Return the speakers that were connected at a look or two before."""
        try:
            if self._bus is None:
                if not self._bridge.exists():
                    return []
                self._bus = MessageBus(self._path)
                self._ask(self._bus, _BRIDGE)
            self._take(self._bus)
        except OSError:
            self.close()
        return list(self._present)

    def close(self) -> None:
        """Leave the bus, until the next look."""
        if self._bus is not None:
            self._bus.close()
        self._bus, self._streams, self._devices, self._present = None, {}, {}, []

    def _take(self, bus: MessageBus) -> None:
        reply = bus.replies().get(self._number)
        if reply is None:
            return  # still on its way
        if self._asked == _BRIDGE:
            self._streams = reply
            known = {_device(stream) for stream in reply.values()} <= self._devices.keys()
        else:
            self._devices, known = reply, True
        if known:
            self._present = speakers(self._streams, self._devices)
        self._ask(bus, _BRIDGE if known else _BLUETOOTH)

    def _ask(self, bus: MessageBus, program: str) -> None:
        self._asked, self._number = program, bus.ask_for_objects(program, _PATHS[program])


def _device(interfaces: Mapping[str, Mapping[str, Any]]) -> str:
    return str(interfaces.get("org.bluealsa.PCM1", {}).get("Device", ""))


def _card(stream: Mapping[str, Any], device: Mapping[str, Any], address: str) -> Card:
    alias = printable(str(device.get("Alias", ""))) or "a speaker"
    # The rate is called otherwise before version 4.2 of the bridge.
    rate = _number(stream, "Rate") or _number(stream, "Sampling") or 44_100
    return Card(
        *(f"{alias} (Bluetooth {address})", "bluetooth", rate),
        *(_number(stream, "Channels") or 2, -1),
        pcm=f"bluealsa:DEV={address},PROFILE=a2dp",
        identity=f"bluetooth {address}",
    )


def _number(values: Mapping[str, Any], name: str) -> int:
    value = values.get(name)
    return value if isinstance(value, int) else 0
