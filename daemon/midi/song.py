"""A song that plays through the daemon: one more controller, without a port.

Units: microseconds of the monotonic clock (``_us``); controllers are numbered from 0.
Threads: the main loop's alone.

What it sends goes the way of every controller's messages. Its controls, programs and keys are its
own business: no knob is learned from it, no sound is kept, and it can't switch the board off.
"""

from collections.abc import Sequence

from daemon.midi.channel_state import ChannelState
from daemon.midi.controller_input import ControllerInput, Put, SysexQueue

SONG = "a song"
"""What all of them are known as: one after the other has the same number."""
LATE_US = 50_000
"""A message is placed at its own time if that is no longer ago than this."""


class Song:
    """One song, from its admission on.

    Parameters
    ----------
    name
        What it is called.
    number
        Its number among the controllers.
    put
        Puts a message into the ring.
    """

    def __init__(self, name: str, number: int, put: Put) -> None:
        self.name, self.number = name, number
        self.stopped = False
        """Whether a panic has ended it."""
        self.notes = 0
        """How many it has struck."""
        self._state = ChannelState()
        self.input = ControllerInput(number, put, self._state, SysexQueue())
        self._receive = self.input.add_port()

    def play(self, messages: Sequence[tuple[int, bytes]], now_us: int) -> None:
        """Send messages, each with the time at which it was due."""
        for due_us, message in messages:
            self._receive(message, min(max(due_us, now_us - LATE_US), now_us))
            self.notes += message[0] & 0xF0 == 0x90 and message[2] > 0

    def catch_up(self, now_us: int) -> None:
        """Send a player that has just begun whatever the controls are set to."""
        for _, message in self._state.messages():
            self._receive(message, now_us)

    def stop(self) -> None:
        """Take note of a panic: nothing is held any more."""
        self.stopped = True
        self._state.lift()

    def let_go(self, now_us: int) -> None:
        """Release every key and pedal that is down."""
        for message in self._state.holding():
            self._receive(message, now_us)
