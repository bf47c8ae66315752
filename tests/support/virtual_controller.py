"""A controller for tests: a real MIDI output on the JACK server, in a process of its own.

Of its own, since JACK's library does not stand two clients of one process of which one has lost
its server.
"""

import signal
import subprocess
import sys
from types import TracebackType
from typing import Self

from tests.support.waiting import next_line

NAME = "Cargo Bike Keys 25"
PORT = f"{NAME}:MIDI 1"
"""As rtmidi lists it under JACK."""

_PROGRAM = """
import sys
import time
import rtmidi
output = None
for line in sys.stdin:
    word, *numbers = line.split()
    if word == "plug":
        for attempt in range(10):
            try:
                output = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=sys.argv[1])
                break
            except Exception:  # a server on a busy machine may refuse a client
                time.sleep(0.2)
        output.open_virtual_port(sys.argv[2])
    elif word == "pull":
        output.delete()
    elif word == "flood":
        count, rate = int(numbers[0]), int(numbers[1])
        began = time.monotonic()
        for number in range(count):
            # Every tenth is a note struck or released, the rest is a knob that never rests.
            kind = (0x90, 0x80)[number // 10 % 2] if number % 10 == 0 else 0xB0
            output.send_message([kind, 74 if kind == 0xB0 else 60, number % 127 + 1])
            time.sleep(max(began + number / rate - time.monotonic(), 0))
    else:
        output.send_message([int(number) for number in numbers])
    print("done", flush=True)
"""


class VirtualController:
    """Plugged in when made, pulled out and plugged in again when a test says so."""

    def __init__(self, name: str = NAME, port: str = "MIDI 1") -> None:
        self._name, self._port = name, port
        self.crashes = 0
        """How often its process crashed on being pulled, in JACK's library."""
        self._process = self._started()
        self.plugged = False
        self.plug()

    def plug(self) -> None:
        self._do("plug")
        self.plugged = True

    def pull(self) -> None:
        try:
            self._do("pull")
        except AssertionError:
            # The library reads the list of its ports in one thread while another takes one out of
            # it: once in about a thousand pulls that is a crash. Gone is gone.
            if self._process.wait(5) != -signal.SIGSEGV:
                raise
            self.crashes += 1
            self._let_go()
            self._process = self._started()
        self.plugged = False

    def send(self, *message: int) -> None:
        self._do("send", *message)

    def flood(self, count: int, rate: int) -> None:
        """Send knob positions, and a note among ten, at so many a second."""
        self._do("flood", count, rate)

    def chord(self, *keys: int, velocity: int = 100) -> None:
        for key in keys:
            self.send(0x90, key, velocity)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        # A client that dies without a word makes a waiting server stand still for five seconds.
        if self.plugged and kind is None:
            self.pull()
        self._process.kill()
        self._let_go()

    def _started(self) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [sys.executable, "-c", _PROGRAM, self._name, self._port],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )

    def _let_go(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait()

    def _do(self, word: str, *numbers: int) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(" ".join([word, *map(str, numbers)]) + "\n")
        self._process.stdin.flush()
        assert next_line(self._process) == "done\n", "the controller's process failed"
