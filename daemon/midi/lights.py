"""Lights on the controllers: what the instrument is doing, sent back to them as notes or controls.

Units: microseconds of the monotonic clock (``_us``); octaves.
Threads: the main loop's alone.

Nothing is sent unless the settings ask for it. A light is sent when it changes, at most
`MOST_A_TICK` of them at a time, and once more to every controller that has just come.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field

from config.bindings import Light
from daemon.ipc.counters import Snapshot

MOST_A_TICK = 8
LINGER_US = 500_000
"""For so long a light shows what was over in a moment."""
_NOTE_ON, _CONTROL = 0x90, 0xB0

Send = Callable[[int, bytes], None]
Standing = Callable[[], tuple[Mapping[int, int], Collection[int]]]
"""Sends a message to a controller, by its number."""


@dataclass
class _Seen:
    """What was counted before, and until when it shows."""

    stolen: int = 0
    trouble: int = 0
    stealing_until_us: int = 0
    overload_until_us: int = 0


@dataclass
class _Box:
    """The state that lights can show."""

    ready: bool = False
    sounding: bool = False
    stealing: bool = False
    overload: bool = False
    octaves: Mapping[int, int] = field(default_factory=dict)
    zones_off: Collection[int] = ()


class Lights:
    """The lights of the settings, and what was sent last.

    Parameters
    ----------
    send
        Sends a message to a controller.
    standing
        Tells where gestures have brought the instrument: the octave of each controller, and the
        zones that are off.
    """

    def __init__(self, send: Send, standing: Standing) -> None:
        self._send, self._standing = send, standing
        self._lights: Sequence[Light] = ()
        self._sent: dict[tuple[int, int], int] = {}
        self._seen, self._box = _Seen(), _Box()

    def use(self, lights: Sequence[Light]) -> None:
        """Take what the settings say; lights that are left out go off."""
        if lights != self._lights:
            self.close()
            self._lights = lights

    def tick(
        self, ready: bool, running: Snapshot | None, controllers: Collection[int], now_us: int
    ) -> None:
        """Send what has changed to the controllers that are there."""
        if not self._lights:
            return
        self._look(ready, running, now_us)
        self._forget(controllers)
        room = MOST_A_TICK
        for controller in controllers:
            for place, light in enumerate(self._lights):
                value = light.on if self._shows(light, controller) else light.off
                if room and self._sent.get((controller, place)) != value:
                    self._sent[controller, place] = value
                    self._put(controller, light, value)
                    room -= 1

    def close(self) -> None:
        """Turn off what is on."""
        for (controller, place), value in self._sent.items():
            light = self._lights[place]
            if value != light.off:
                self._put(controller, light, light.off)
        self._sent.clear()

    def _forget(self, controllers: Collection[int]) -> None:
        """Take those that have gone for dark."""
        self._sent = {each: value for each, value in self._sent.items() if each[0] in controllers}

    def _look(self, ready: bool, running: Snapshot | None, now_us: int) -> None:
        box, seen = self._box, self._seen
        box.ready = ready
        box.octaves, box.zones_off = self._standing()
        if running is None:
            box.sounding = False
        else:
            box.sounding = running.sounding > 0
            stolen, trouble = running.accounts["stolen"], running.underflows + running.faults
            if stolen > seen.stolen:
                seen.stealing_until_us = now_us + LINGER_US
            if trouble > seen.trouble:
                seen.overload_until_us = now_us + LINGER_US
            seen.stolen, seen.trouble = stolen, trouble
        limited = running is not None and running.most_partials > 0
        box.stealing = now_us < seen.stealing_until_us
        box.overload = limited or now_us < seen.overload_until_us

    def _shows(self, light: Light, controller: int) -> bool:
        box = self._box
        if light.shows == "octave":
            octave = box.octaves.get(controller, 0)
            return octave == light.which if light.which else octave != 0
        if light.shows == "zone":
            return box.ready and light.which not in box.zones_off
        return bool(getattr(box, light.shows))

    def _put(self, controller: int, light: Light, value: int) -> None:
        kind, number = light.message
        status = (_NOTE_ON if kind == "note" else _CONTROL) | (light.channel - 1)
        self._send(controller, bytes((status, number, value)))
