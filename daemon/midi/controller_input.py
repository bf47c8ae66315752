"""The messages of one controller, from all its ports into the ring.

Units: microseconds of the monotonic clock (``_us``).
Threads: the MIDI library's, one for each port; `ControllerInput` has a lock between them, which the
audio callback never meets.

Channel messages go into the ring. System exclusive ones are too long for it: they wait for the main
loop. What concerns a sequencer, and not a receiver of notes, is left out.

A note-on that finds no room is lost, and counted. A message that releases a note or moves a control
is overdue then: it follows once there is room, unless a later message has replaced it. No note
hangs.
"""

import threading
from collections import deque
from collections.abc import Callable, Sequence

from daemon.ipc.message_ring import TOLD
from daemon.midi.channel_state import ChannelState

SYSEX, CLOCK, ACTIVE_SENSING, SYSTEM_RESET = 0xF0, 0xF8, 0xFE, 0xFF
DUPLICATE_US = 20_000
"""The same message within this time from another port of the same device is a duplicate. Common
practice, no source: some controllers send every key on two ports."""
TELLING_US = 300_000
"""What a controller sends within this time from its plugging in says where its knobs stand; nobody
has turned one yet. Our choice: they send it within some hundredths of a second."""
SYSEX_QUEUE = 256
SYSEX_BYTES = 4096
_RECENT_MESSAGES = 64
_NOTE_OFF, _NOTE_ON, _NUMBERED = 0x80, 0x90, (0xA0, 0xB0)
_POSITIONS = (0xA0, 0xB0, 0xD0, 0xE0)

Put = Callable[[bytes, int, int], bool]
"""Takes message, time and controller; False: there was no room."""


class SysexQueue:
    """System exclusive messages on their way to the main loop.

    Parameters
    ----------
    wake
        Wakes the main loop; called on a MIDI thread.
    """

    def __init__(self, wake: Callable[[], None] = lambda: None) -> None:
        self._wake = wake
        self._waiting: deque[tuple[int, bytes]] = deque(maxlen=SYSEX_QUEUE)

    @property
    def waiting(self) -> int:
        """How many have not been fetched."""
        return len(self._waiting)

    def add(self, controller: int, message: bytes) -> None:
        """Add a message; when nobody fetches them the oldest are dropped."""
        self._waiting.append((controller, message))
        self._wake()

    def fetch(self) -> list[tuple[int, bytes]]:
        """Return controllers and messages that came since the last call."""
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
        Puts a message into the ring.
    channel_state
        Records every message that changes the controller's state.
    sysex
        Where system exclusive messages wait.
    """

    def __init__(
        self, controller: int, put: Put, channel_state: ChannelState, sysex: SysexQueue
    ) -> None:
        self.messages = 0
        """Channel messages so far, duplicates left out."""
        self._controller, self._put, self._channel_state = controller, put, channel_state
        self._sysex = sysex
        self._lock = threading.Lock()
        self._ports = 0
        self._sensing = False
        self._tells_until_us = 0
        self._recent: dict[bytes, tuple[int, int]] = {}
        self._overdue: dict[tuple[int, int], bytes] = {}

    def add_port(self) -> Callable[[Sequence[int], int], None]:
        """Return the callback for the messages of one more of the controller's ports."""
        self._ports += 1
        number = self._ports

        def on_message(message: Sequence[int], time_us: int) -> None:
            if not message:
                return
            with self._lock:
                self._receive(bytes(message), time_us, number)

        return on_message

    def plugged(self, now_us: int) -> None:
        """Take what it sends at first for where its knobs stand."""
        self._tells_until_us = now_us + TELLING_US

    def put_overdue(self, now_us: int) -> None:
        """Put what is overdue into the ring, as far as there is room."""
        with self._lock:
            for subject, message in list(self._overdue.items()):
                if not self._put(message, now_us, self._controller):
                    return
                del self._overdue[subject]

    def _receive(self, message: bytes, time_us: int, port: int) -> None:
        status = message[0]
        if 0x80 <= status < SYSEX:
            if self._ports > 1 and self._is_duplicate(message, time_us, port):
                return
            told = time_us < self._tells_until_us and status & 0xF0 in _POSITIONS
            self._forward(message, time_us, self._controller | (TOLD if told else 0))
            self._channel_state.record(message, self._controller, told=told)
            self.messages += 1
        elif status == SYSEX:
            if len(message) <= SYSEX_BYTES and not (
                self._ports > 1 and self._is_duplicate(message, time_us, port)
            ):
                self._sysex.add(self._controller, message)
        elif status == ACTIVE_SENSING:
            self._sensing = True
            self._put(message[:1], time_us, self._controller)
        elif status == CLOCK and self._sensing:
            # Any message is a sign of life, and a controller that ticks need not send another.
            self._put(message[:1], time_us, self._controller)
        elif status == SYSTEM_RESET:
            self._sensing = False
            self._channel_state.reset(self._controller)
            self._put(message[:1], time_us, self._controller)

    def _forward(self, message: bytes, time_us: int, controller: int) -> None:
        is_note_on = message[0] & 0xF0 == _NOTE_ON and message[-1] > 0
        if self._put(message, time_us, controller):
            self._overdue.pop(_subject(message), None)
        elif not is_note_on:
            self._overdue.pop(_subject(message), None)
            self._overdue[_subject(message)] = message

    def _is_duplicate(self, message: bytes, time_us: int, port: int) -> bool:
        recent = self._recent
        earlier = recent.get(message)
        if earlier is not None and earlier[0] != port and abs(time_us - earlier[1]) <= DUPLICATE_US:
            del recent[message]
            return True
        recent.pop(message, None)
        recent[message] = (port, time_us)
        if len(recent) > _RECENT_MESSAGES:
            del recent[next(iter(recent))]
        return False


def _subject(message: bytes) -> tuple[int, int]:
    """Return what a channel message is about: a later one on the same subject replaces it."""
    kind, channel = message[0] & 0xF0, message[0] & 0x0F
    numbered = kind in (_NOTE_OFF, _NOTE_ON, *_NUMBERED)
    kind = _NOTE_OFF if kind == _NOTE_ON else kind
    return kind | channel, message[1] if numbered and len(message) > 1 else 0
