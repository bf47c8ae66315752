"""What comes in on the ports of one controller, and where it goes.

Units: microseconds of the monotonic clock (``_us``).
Threads: the MIDI library's, one for each port; `ControllerInput` has a lock between them, which the
audio callback never meets.

Messages for the instrument go into the ring. System exclusive ones are too long for it: they wait
for the main loop. What concerns a sequencer, and not a receiver of notes, is left out.

A note-on that finds no room is lost, and counted. What lets go of a note, or moves a control, is
overdue: it follows once there is room, unless a later message has taken its place; no note hangs.
"""

import threading
from collections import deque
from collections.abc import Callable, Sequence

from daemon.midi.channel_state import ChannelState

EXCLUSIVE, CLOCK, SENSING, RESET = 0xF0, 0xF8, 0xFE, 0xFF
MIRROR_US = 20_000
"""The same message again within this time, from another port of the same device, is its mirror.
Common practice, no source: some controllers send every key on two ports."""
MOST_WAITING = 256
MOST_BYTES = 4096
_MOST_REMEMBERED = 64
_NOTE_OFF, _NOTE_ON, _NUMBERED = 0x80, 0x90, (0xA0, 0xB0)

Put = Callable[[bytes, int, int], bool]


class Exclusives:
    """System exclusive messages on their way to the main loop.

    Parameters
    ----------
    wake
        Has the main loop look at once; called on a MIDI thread.
    """

    def __init__(self, wake: Callable[[], None] = lambda: None) -> None:
        self.wake = wake
        self._waiting: deque[tuple[int, bytes]] = deque(maxlen=MOST_WAITING)

    @property
    def waiting(self) -> int:
        """How many have not been fetched."""
        return len(self._waiting)

    def add(self, controller: int, message: bytes) -> None:
        """Leave a message; the oldest go when nobody fetches them."""
        self._waiting.append((controller, message))
        self.wake()

    def fetch(self) -> list[tuple[int, bytes]]:
        """Return what has come since the last call: controller and message."""
        fetched = []
        while self._waiting:
            fetched.append(self._waiting.popleft())
        return fetched


class ControllerInput:
    """The messages of one controller.

    Parameters
    ----------
    controller
        Its number.
    put
        Takes message, time and controller; False: there was no room.
    chase
        Told every message that changes the controller's state.
    exclusives
        Where system exclusive messages wait.
    """

    def __init__(
        self, controller: int, put: Put, chase: ChannelState, exclusives: Exclusives
    ) -> None:
        self.messages = 0
        """Channel messages so far, mirrored ones counted once."""
        self._controller, self._put, self._chase = controller, put, chase
        self._exclusives = exclusives
        self._lock = threading.Lock()
        self._ports = 0
        self._sensing = False
        self._recent: dict[bytes, tuple[int, int]] = {}
        self._overdue: dict[tuple[int, int], bytes] = {}

    def port(self) -> Callable[[Sequence[int], int], None]:
        """Return what takes the messages of one more of its ports."""
        self._ports += 1
        number = self._ports

        def take(message: Sequence[int], time_us: int) -> None:
            if not message:
                return
            with self._lock:
                self._take(bytes(message), time_us, number)

        return take

    def catch_up(self, now_us: int) -> None:
        """Put what is overdue, as far as there is room."""
        with self._lock:
            for place, message in list(self._overdue.items()):
                if not self._put(message, now_us, self._controller):
                    return
                del self._overdue[place]

    def _hand_on(self, message: bytes, time_us: int) -> None:
        strikes = message[0] & 0xF0 == _NOTE_ON and message[-1] > 0
        if self._put(message, time_us, self._controller):
            self._overdue.pop(_place(message), None)
        elif not strikes:
            self._overdue.pop(_place(message), None)
            self._overdue[_place(message)] = message

    def _take(self, message: bytes, time_us: int, port: int) -> None:
        status = message[0]
        if 0x80 <= status < EXCLUSIVE:
            if self._ports > 1 and self._is_mirror(message, time_us, port):
                return
            self._hand_on(message, time_us)
            self._chase.note(message, self._controller)
            self.messages += 1
        elif status == EXCLUSIVE:
            if len(message) <= MOST_BYTES and not (
                self._ports > 1 and self._is_mirror(message, time_us, port)
            ):
                self._exclusives.add(self._controller, message)
        elif status == SENSING:
            self._sensing = True
            self._put(message[:1], time_us, self._controller)
        elif status == CLOCK and self._sensing:
            # Any message is a sign of life, and a controller that ticks need not send another.
            self._put(message[:1], time_us, self._controller)
        elif status == RESET:
            self._sensing = False
            self._chase.forget(self._controller)
            self._put(message[:1], time_us, self._controller)

    def _is_mirror(self, message: bytes, time_us: int, port: int) -> bool:
        recent = self._recent
        there = recent.get(message)
        if there is not None and there[0] != port and abs(time_us - there[1]) <= MIRROR_US:
            del recent[message]
            return True
        recent.pop(message, None)
        recent[message] = (port, time_us)
        if len(recent) > _MOST_REMEMBERED:
            del recent[next(iter(recent))]
        return False


def _place(message: bytes) -> tuple[int, int]:
    """Return what a channel message is about: a later one of the same place replaces it."""
    kind, channel = message[0] & 0xF0, message[0] & 0x0F
    numbered = kind in (_NOTE_OFF, _NOTE_ON, *_NUMBERED)
    kind = _NOTE_OFF if kind == _NOTE_ON else kind
    return kind | channel, message[1] if numbered and len(message) > 1 else 0
