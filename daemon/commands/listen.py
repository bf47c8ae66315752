"""The command ``partiald listen``: what the controllers send, and what they turn out to be.

On a terminal it is a view that is written in place; with ``--plain``, or into a pipe, one message a
line. At its end it says what each controller is, and offers the settings that suit it.

Units: seconds since the start; channels 1 to 16; C4 is key 60.
Threads: the MIDI library's threads put into a queue, the main thread writes.
"""

import argparse
import os
import queue
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from config.layers import OWNER
from config.toml.files import write_atomic
from config.toml.printable import printable
from daemon.drawing.refresh import follow
from daemon.fault_lines import tell_fault
from daemon.linux.stderr import silence_libraries
from daemon.listening.live_view import view
from daemon.listening.seen import Seen
from daemon.listening.sheet import settings_lines, words
from daemon.midi.message_words import message_words, system_name
from daemon.midi.port_choice import choose_ports, device_of
from daemon.midi.ports import MidiPorts, OpenPort
from daemon.midi.rtmidi_ports import RtMidiPorts
from daemon.storage.settings_files import SettingsFiles

_POLL_S = 0.25
_VIEW_S = 0.1
_HERE = Path("partiald.toml")
_STEADY = (0xF1, 0xF8, 0xFE)
"""Quarter frames, clock and active sensing come without end, so they are shown once."""


def run(arguments: argparse.Namespace) -> int:
    """Write messages until Ctrl-C."""
    silence_libraries()
    wanted, serial = arguments.controller, ""
    if wanted is None:
        loaded = SettingsFiles(arguments.settings).load()
        for fault in loaded.faults:
            tell_fault(f"{fault}; left out")
        wanted, serial = loaded.settings.controller.name, loaded.settings.controller.serial
    ports = RtMidiPorts()
    listening = Listening(ports, wanted, lambda: time.monotonic_ns() // 1000, serial)
    live = sys.stdout.isatty() and not arguments.plain
    try:
        if live:
            _watch(listening)
        while not live:
            for line in listening.lines(_POLL_S):
                sys.stdout.write(line + "\n")
            sys.stdout.flush()
    except KeyboardInterrupt:
        pass
    finally:
        listening.close()
        ports.close()
    if live:
        tell(listening.seen, sys.stdin.readline)
    return 0


def _watch(listening: "Listening") -> None:
    """Show the view until Ctrl-C."""
    listening.lines(0.0)

    def gather(_: float) -> None:
        until_s = time.monotonic() + _VIEW_S
        while (left_s := until_s - time.monotonic()) > 0.0:
            listening.lines(left_s)

    follow(lambda: view(list(listening.seen.values())), sys.stdout, gather)


def tell(
    seen: Mapping[str, Seen], read: Callable[[], str], owner: Path = OWNER, here: Path = _HERE
) -> None:
    """Say what each controller is, and write the settings that suit it if that is wanted."""
    for each in seen.values():
        if not each.messages:
            continue
        sys.stdout.write("\n" + "".join(f"{line}\n" for line in words(each)))
        lines = settings_lines(each)
        sys.stdout.write("\nSettings that suit it:\n\n" + "".join(f"{line}\n" for line in lines))
        path = owner if not owner.exists() and os.access(owner.parent, os.W_OK) else here
        if path.exists():
            sys.stdout.write(f"\n{path} is there already: copy the lines you want into it.\n")
            return
        sys.stdout.write(f"\nWrite them into {path}? [y/N] ")
        sys.stdout.flush()
        if read().strip().lower() in ("y", "yes"):
            write_atomic(path, "".join(f"{line}\n" for line in lines))
            sys.stdout.write(f"{path}: written\n")
        return


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
        The serial number it must have as well; empty: any.
    """

    def __init__(
        self, ports: MidiPorts, wanted: str, clock_us: Callable[[], int], serial: str = ""
    ) -> None:
        self._ports, self._wanted, self._clock_us = ports, wanted, clock_us
        self._serial = serial
        self.seen: dict[str, Seen] = {}
        """What each controller has turned out to be, by name."""
        self._open: dict[str, OpenPort] = {}
        self._came: queue.SimpleQueue[tuple[int, str, Sequence[int]]] = queue.SimpleQueue()
        self._start_us = clock_us()
        self._seen_any: bool | None = None
        self._steady: set[tuple[str, int]] = set()
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
        for port in self._open.values():
            port.close()
        self._open.clear()

    def _look(self) -> list[str]:
        choices = choose_ports(self._ports.names(), self._wanted, self._serial)
        chosen = [choice.name for choice in choices if choice.chosen]
        lines = []
        for name in [name for name in self._open if name not in chosen]:
            self._open.pop(name).close()
            gone = device_of(name)[0]
            self._steady = {each for each in self._steady if each[0] != gone}
            lines.append(f"lost: {device_of(name)[0]}")
        for name in [name for name in chosen if name not in self._open]:
            try:
                port = self._ports.open(name, self._taker(device_of(name)[0]))
            except OSError as fault:
                # It is tried again at every look, but reported once.
                if name not in self._refused:
                    lines.append(f"refused: {device_of(name)[0]}: {printable(str(fault))}")
                self._refused.add(name)
                continue
            self._refused.discard(name)
            self._open[name] = port
            stale = f" (dropped {port.stale} messages sent before)" * bool(port.stale)
            lines.append(f"listening to: {device_of(name)[0]}{stale}")
            self.seen.setdefault(device_of(name)[0], Seen(device_of(name)[0]))
        self._refused.intersection_update(chosen)
        if bool(chosen) != self._seen_any:
            self._seen_any = bool(chosen)
            if not chosen:
                matching = f" matches '{self._wanted}'" if self._wanted else " seen"
                lines.append(f"no controller{matching}; waiting for one (Ctrl-C to stop)")
        return lines

    def _taker(self, name: str) -> Callable[[Sequence[int], int], None]:
        return lambda message, time_us: self._came.put((time_us, name, bytes(message)))

    def _line(self, time_us: int, name: str, message: Sequence[int]) -> str:
        status = message[0]
        self.seen.setdefault(name, Seen(name)).take(message)
        if status in _STEADY:
            if (name, status) in self._steady:
                return ""
            self._steady.add((name, status))
            words = f"{system_name(status)}; repeats are not shown"
            return self._timed(time_us, name, "", words)
        channel = f"channel {(status & 0x0F) + 1:>2}" if status < 0xF0 else ""
        return self._timed(time_us, name, channel, message_words(message))

    def _timed(self, time_us: int, name: str, channel: str, text: str) -> str:
        seconds = max(time_us - self._start_us, 0) / 1e6
        return f"{seconds:9.3f}  {name}  {channel:<10}  {text}"
