"""What one controller has sent so far: keys, velocities, knobs, channels, and what never came.

Units: MIDI values; channels 1 to 16; microseconds. A knob's noise is how far it trembles while it
is not turned: the span of what came in steps of one or two there and back.
"""

import itertools
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field

from daemon.midi.message_words import message_words

NOTE_OFF, NOTE_ON, KEY_PRESSURE, CONTROL, PROGRAM, PRESSURE, BEND = range(0x8, 0xF)
PEDAL = 64
_RECENT = 12
_TREMBLING = 2
"""Steps of at most so much, to and fro, are no hand's."""


@dataclass
class Knob:
    """One control change number, the wheel or pressure."""

    value: int = 0
    low: int = 127
    high: int = 0
    messages: int = 0
    noise: int = 0
    """How far it trembles, in steps; 0: not at all."""
    _latest: deque[int] = field(default_factory=lambda: deque(maxlen=_RECENT))

    def take(self, value: int) -> None:
        """Take a value."""
        self.value, self.messages = value, self.messages + 1
        self.low, self.high = min(self.low, value), max(self.high, value)
        self._latest.append(value)
        steps = [b - a for a, b in zip(self._latest, list(self._latest)[1:], strict=False)]
        turns = sum(a * b < 0 for a, b in itertools.pairwise(steps))
        small = all(abs(step) <= _TREMBLING for step in steps)
        if len(steps) >= 4 and small and turns >= len(steps) // 2:
            self.noise = max(self.noise, max(self._latest) - min(self._latest))

    @property
    def is_switch(self) -> bool:
        """Whether it has only ever been fully on or fully off."""
        return self.messages > 1 and (self.low, self.high) == (0, 127) and self._ends_only

    @property
    def _ends_only(self) -> bool:
        return set(self._latest) <= {0, 127}


class Seen:
    """One controller.

    Parameters
    ----------
    name
        What it calls itself.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.last = ""
        """The latest message in words."""
        self.last_key: int | None = None
        """The key struck last."""
        self.down: dict[int, int] = {}
        """The keys that are down, with their velocities."""
        self.keys: set[int] = set()
        self.velocities: set[int] = set()
        self.release_velocities: set[int] = set()
        self.channels: set[int] = set()
        self.knobs: dict[int, Knob] = {}
        """By controller number."""
        self.bend: Knob | None = None
        self.pressure: Knob | None = None
        self.key_pressure = False
        self.programs = False
        self.notes = self.messages = 0

    def take(self, message: Sequence[int]) -> None:
        """Take one message."""
        if not message or message[0] < 0x80 or message[0] >= 0xF0:
            return
        self.messages += 1
        kind, first, second = message[0] >> 4, message[1], message[2] if len(message) > 2 else 0
        channel = (message[0] & 0x0F) + 1
        self.channels.add(channel)
        self.last = f"channel {channel}: {message_words(message)}"
        if kind == NOTE_ON and second:
            self.notes += 1
            self.keys.add(first)
            self.velocities.add(second)
            self.down[first], self.last_key = second, first
        elif kind in (NOTE_ON, NOTE_OFF):
            self.down.pop(first, None)
            if kind == NOTE_OFF:
                self.release_velocities.add(second)
        elif kind == CONTROL:
            self.knobs.setdefault(first, Knob()).take(second)
        elif kind == BEND:
            self.bend = self.bend or Knob()
            self.bend.take(second)
        elif kind == PRESSURE:
            self.pressure = self.pressure or Knob()
            self.pressure.take(first)
        elif kind == KEY_PRESSURE:
            self.key_pressure = True
        elif kind == PROGRAM:
            self.programs = True

    @property
    def fixed_velocity(self) -> int:
        """The only velocity that ever came, after enough notes to say so; 0: there are several."""
        return next(iter(self.velocities)) if len(self.velocities) == 1 and self.notes >= 4 else 0

    def never_came(self) -> list[str]:
        """Return what a controller may send and this one has not, in words."""
        absent = {
            "a second velocity": len(self.velocities) < 2,
            "release velocity": not self.release_velocities - {0, 64},
            "pitch bend": self.bend is None,
            "a modulation wheel": 1 not in self.knobs,
            "a sustain pedal": PEDAL not in self.knobs,
            "pressure": self.pressure is None and not self.key_pressure,
            "program changes": not self.programs,
        }
        return [words for words, is_absent in absent.items() if is_absent]
