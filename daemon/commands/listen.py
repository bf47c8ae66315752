"""The command ``partiald listen``: what the controllers send, one message a line.

Units: seconds since the start; channels 1 to 16; C4 is key 60.
Threads: the MIDI library's threads put into a queue, the main thread writes.
"""

import argparse
import queue
import sys
import time
from collections.abc import Callable, Sequence

from daemon.key_names import key_name
from daemon.linux.stderr import silence_libraries
from daemon.midi.port_choice import choose_ports, device_of
from daemon.midi.ports import Closer, MidiPorts, RtMidiPorts
from daemon.storage.settings_files import SettingsFiles

_POLL_S = 0.25
_CONTROLS = {
    0: "bank",
    1: "modulation",
    7: "volume",
    10: "pan",
    11: "expression",
    32: "bank, fine",
    64: "sustain",
    66: "sostenuto",
    67: "soft",
    71: "timbre",
    72: "release",
    73: "attack",
    74: "brightness",
    120: "all sound off",
    121: "reset all controllers",
    123: "all notes off",
}
_SYSTEM = {
    0xF1: "quarter frame",
    0xF2: "song position",
    0xF3: "song select",
    0xF6: "tune request",
    0xF8: "clock",
    0xFA: "start",
    0xFB: "continue",
    0xFC: "stop",
    0xFE: "active sensing",
    0xFF: "reset",
}
_SHOWN_BYTES = 16


def run(arguments: argparse.Namespace) -> int:
    """Write messages until Ctrl-C."""
    silence_libraries()
    wanted, serial = arguments.controller, ""
    if wanted is None:
        loaded = SettingsFiles(arguments.settings).load()
        for fault in loaded.faults:
            sys.stderr.write(f"partiald: {fault}; left out\n")
        wanted, serial = loaded.settings.controller.name, loaded.settings.controller.serial
    ports = RtMidiPorts()
    listening = Listening(ports, wanted, lambda: time.monotonic_ns() // 1000, serial)
    try:
        while True:
            for line in listening.lines(_POLL_S):
                sys.stdout.write(line + "\n")
            sys.stdout.flush()
    except KeyboardInterrupt:
        return 0
    finally:
        listening.close()
        ports.close()


def readable(message: Sequence[int]) -> str:
    """Return a MIDI message in words; the channel is not among them."""
    status = message[0]
    if status >= 0xF0:
        return _system(message)
    first = message[1] if len(message) > 1 else 0
    second = message[2] if len(message) > 2 else 0
    match status & 0xF0:
        case 0x80:
            return f"note off {_key(first)}"
        case 0x90:
            return (
                f"note on  {_key(first)} velocity {second}" if second else f"note off {_key(first)}"
            )
        case 0xA0:
            return f"pressure {_key(first)} = {second}"
        case 0xB0:
            meaning = f" ({_CONTROLS[first]})" if first in _CONTROLS else ""
            return f"control {first}{meaning} = {second}"
        case 0xC0:
            return f"program {first + 1}"
        case 0xD0:
            return f"pressure = {first}"
        case _:
            return f"bend {(second << 7 | first) - 8192:+d}"


_STEADY = {0xF1: "time code", 0xF8: "clock", 0xFE: "active sensing"}
"""What comes without end is told once."""


class Listening:
    """Every wanted controller, opened when it appears.

    Parameters
    ----------
    ports
        Where they are plugged in.
    wanted
        Part of a name; empty: all.
    clock_us
        The monotonic clock.
    serial
        The serial number it has to have as well; empty: any.
    """

    def __init__(
        self, ports: MidiPorts, wanted: str, clock_us: Callable[[], int], serial: str = ""
    ) -> None:
        self._ports, self._wanted, self._clock_us = ports, wanted, clock_us
        self._serial = serial
        self._open: dict[str, Closer] = {}
        self._came: queue.SimpleQueue[tuple[int, str, Sequence[int]]] = queue.SimpleQueue()
        self._start_us = clock_us()
        self._seen_any: bool | None = None
        self._steady: set[tuple[str, str]] = set()
        self._refused: set[str] = set()

    def lines(self, wait_s: float) -> list[str]:
        """Return what happened, after at most ``wait_s`` without anything."""
        lines = self._look()
        try:
            lines.append(self._line(*self._came.get(timeout=0.0 if lines else wait_s)))
            while True:
                lines.append(self._line(*self._came.get_nowait()))
        except queue.Empty:
            pass
        return [line for line in lines if line]

    def close(self) -> None:
        """Close every port."""
        for close in self._open.values():
            close()
        self._open.clear()

    def _look(self) -> list[str]:
        choices = choose_ports(self._ports.names(), self._wanted, self._serial)
        chosen = [choice.name for choice in choices if choice.chosen]
        lines = []
        for name in [name for name in self._open if name not in chosen]:
            self._open.pop(name)()
            gone = device_of(name)[0]
            self._steady = {each for each in self._steady if each[0] != gone}
            lines.append(f"lost: {device_of(name)[0]}")
        for name in [name for name in chosen if name not in self._open]:
            try:
                self._open[name] = self._ports.open(name, self._taker(device_of(name)[0]))
            except OSError as fault:
                # It is tried again at every look, and told once.
                if name not in self._refused:
                    lines.append(f"refused: {device_of(name)[0]}: {fault}")
                self._refused.add(name)
                continue
            self._refused.discard(name)
            lines.append(f"listening to: {device_of(name)[0]}")
        self._refused.intersection_update(chosen)
        if bool(chosen) != self._seen_any:
            self._seen_any = bool(chosen)
            if not chosen:
                matching = f" matches '{self._wanted}'" if self._wanted else " seen"
                lines.append(f"no controller{matching}; waiting for one (Ctrl-C ends)")
        return lines

    def _taker(self, name: str) -> Callable[[Sequence[int], int], None]:
        return lambda message, time_us: self._came.put((time_us, name, bytes(message)))

    def _line(self, time_us: int, name: str, message: Sequence[int]) -> str:
        steady = _STEADY.get(message[0])
        if steady is not None:
            if (name, steady) in self._steady:
                return ""
            self._steady.add((name, steady))
            return self._told(time_us, name, "", f"{steady}, from now on")
        channel = f"channel {(message[0] & 0x0F) + 1:>2}" if message[0] < 0xF0 else ""
        return self._told(time_us, name, channel, readable(message))

    def _told(self, time_us: int, name: str, channel: str, text: str) -> str:
        seconds = max(time_us - self._start_us, 0) / 1e6
        return f"{seconds:9.3f}  {name}  {channel:<10}  {text}"


def _key(key: int) -> str:
    return f"{key_name(key)} ({key})"


def _system(message: Sequence[int]) -> str:
    if message[0] != 0xF0:
        values = " ".join(str(value) for value in message[1:])
        return f"{_SYSTEM.get(message[0], f'undefined {message[0]:02X}')} {values}".rstrip()
    shown = " ".join(f"{value:02X}" for value in message[:_SHOWN_BYTES])
    more = " ..." if len(message) > _SHOWN_BYTES else ""
    return f"system exclusive, {len(message)} bytes: {shown}{more}"
