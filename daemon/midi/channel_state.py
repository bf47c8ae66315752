"""The state of every controller's channels, to bring a new player to where the old one was.

Units: MIDI bytes; channels as on the wire, 0 to 15.
Threads: `ChannelState.note` is called by the MIDI library's threads, one controller's messages by
one thread; the rest by the main loop. Only whole dictionary operations are shared.

`ChannelState.messages` of everything that was noted, fed to a receiver in its power-up state,
leaves it in the same state but for the notes; it also knows which keys are down.
"""

from collections.abc import Sequence

NOTE_OFF, NOTE_ON, CONTROL, PROGRAM, PRESSURE, BEND = 0x80, 0x90, 0xB0, 0xC0, 0xD0, 0xE0
_BANK = (0, 32)
_ENTRY = (6, 38)
_NUMBERS = (98, 99, 100, 101)
_STEPS = (96, 97)
# What Reset All Controllers puts back (RP-015); volume, pan, bank, program, the sound controllers
# and the values of registered parameters stay.
_RESET = (1, 33, 11, 43, 64, 65, 66, 67, 68, 69, *_NUMBERS)
_NULL = (127, 127)


class _Channel:
    """What one channel was told."""

    def __init__(self) -> None:
        self.controls: dict[int, int] = {}
        self.parameters: dict[tuple[int, int], dict[int, int]] = {}
        self.program: tuple[int | None, int | None, int] | None = None
        self.pressure: int | None = None
        self.bend: tuple[int, int] | None = None
        self.keys: set[int] = set()

    def control(self, number: int, value: int) -> None:
        """Take a control change or mode message."""
        if number >= 120:
            self._mode(number)
        elif number in _ENTRY:
            self._enter(number, value)
        elif number not in _STEPS:
            if number < 32:
                # A new coarse value sets the fine one to 0 (MIDI 1.0, p. 12).
                self.controls.pop(number + 32, None)
            if number in (98, 99):
                self.controls.pop(100, None)
                self.controls.pop(101, None)
            elif number in (100, 101):
                self.controls.pop(98, None)
                self.controls.pop(99, None)
            # Moved to the end, so that they are told in the order in which they came.
            self.controls.pop(number, None)
            self.controls[number] = value

    def messages(self, channel: int) -> list[bytes]:
        """Return what brings a fresh channel here."""
        status = CONTROL | channel
        told: list[tuple[int, ...]] = []
        controls = dict(self.controls)
        if self.program is not None:
            high, low, program = self.program
            told += [
                (status, n, v) for n, v in zip(_BANK, (high, low), strict=True) if v is not None
            ]
            told.append((PROGRAM | channel, program))
        for (high, low), values in list(self.parameters.items()):
            told += [(status, 101, high), (status, 100, low)]
            told += [(status, number, values[number]) for number in _ENTRY if number in values]
        if self.parameters and not {100, 101} & controls.keys():
            told += [(status, 101, _NULL[0]), (status, 100, _NULL[1])]
        told += [(status, number, value) for number, value in controls.items()]
        if self.pressure is not None:
            told.append((PRESSURE | channel, self.pressure))
        if self.bend is not None:
            told.append((BEND | channel, *self.bend))
        return [bytes(message) for message in told]

    def _mode(self, number: int) -> None:
        if number == 121:
            for each in _RESET:
                self.controls.pop(each, None)
            self.pressure = self.bend = None
        elif number != 122:
            # All Sound Off, All Notes Off, and the four that imply it.
            self.keys.clear()

    def _enter(self, number: int, value: int) -> None:
        chosen = (self.controls.get(101, _NULL[0]), self.controls.get(100, _NULL[1]))
        if chosen == _NULL:
            # No parameter is meant; a binding may still be.
            self.controls[number] = value
            return
        values = self.parameters.setdefault(chosen, {})
        if number == _ENTRY[0]:
            values.clear()
        values[number] = value


class ChannelState:
    """The channels of all controllers."""

    def __init__(self) -> None:
        self._channels: dict[tuple[int, int], _Channel] = {}

    def note(self, message: Sequence[int], controller: int) -> None:
        """Remember what a channel message changes; others change nothing here."""
        kind, number = message[0] & 0xF0, message[0] & 0x0F
        if not 0x80 <= kind < 0xF0 or len(message) < 2:
            return
        channel = self._channels.get((controller, number))
        if channel is None:
            channel = self._channels[controller, number] = _Channel()
        if kind == PROGRAM:
            bank = (channel.controls.get(0), channel.controls.get(32))
            channel.program = (*bank, message[1])
        elif kind == PRESSURE:
            channel.pressure = message[1]
        elif len(message) < 3:
            return
        elif kind == NOTE_ON and message[2]:
            channel.keys.add(message[1])
        elif kind in (NOTE_ON, NOTE_OFF):
            channel.keys.discard(message[1])
        elif kind == CONTROL:
            channel.control(message[1], message[2])
        elif kind == BEND:
            channel.bend = (message[1], message[2])

    def keys_down(self) -> set[int]:
        """Return the keys of all controllers that are down."""
        return set().union(*(set(channel.keys) for channel in list(self._channels.values())))

    def held(self, controller: int) -> int:
        """Return how many keys of a controller are down."""
        return sum(
            len(ch.keys) for (owner, _), ch in list(self._channels.items()) if owner == controller
        )

    def controls(self) -> dict[tuple[int, int, int], int]:
        """Return the value of every control that was told, by controller, channel and number."""
        return {
            (*place, number): value
            for place, channel in list(self._channels.items())
            for number, value in channel.controls.copy().items()
        }

    def programs(self) -> set[tuple[int, int]]:
        """Return every bank and program that a channel was told, banks as 128 CC 0 + CC 32."""
        told = [channel.program for channel in list(self._channels.values()) if channel.program]
        return {((high or 0) << 7 | (low or 0), program) for high, low, program in told}

    def lose(self, controller: int, message: Sequence[int]) -> None:
        """Put the control that a message sets back into the power-up state."""
        if channel := self._channels.get((controller, message[0] & 0x0F)):
            channel.controls.pop(message[1], None)

    def untouched(self, controller: int, message: Sequence[int]) -> bool:
        """Return whether the control that a message sets is in the power-up state."""
        channel = self._channels.get((controller, message[0] & 0x0F))
        return channel is not None and message[1] not in channel.controls

    def forget(self, controller: int) -> None:
        """Put a controller's channels back into the power-up state."""
        for place in [place for place in list(self._channels) if place[0] == controller]:
            del self._channels[place]

    def messages(self) -> list[tuple[int, bytes]]:
        """Return controller and message, in an order that a fresh receiver needs."""
        return [
            (controller, message)
            for (controller, number), channel in list(self._channels.items())
            for message in channel.messages(number)
        ]
