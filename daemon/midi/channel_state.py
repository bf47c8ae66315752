"""The state of every controller's channels, kept to bring a new player up to date.

Units: MIDI bytes; channels as on the wire, 0 to 15.
Threads: `ChannelState.record` is called on the MIDI library's threads, one controller's messages
on one thread; the rest on the main loop. Only whole dictionary and list operations are shared.

`ChannelState.messages`, fed to a receiver in its power-up state, leaves it as the recorded messages
would have left it, but for the notes. Which keys are down is known, too.
"""

from collections.abc import Collection, Sequence

from config.gestures import (
    ORIGIN,
    RESUME,
    SOUND_CONTROLS,
    ZONE_OFF,
    resting,
    rests,
    resuming,
    switching_off,
)
from daemon.midi.channel_controls import (
    CHANNEL_PRESSURE,
    CONTROL_CHANGE,
    PITCH_BEND,
    PROGRAM_CHANGE,
    ChannelControls,
)
from voices.channels.knob import MOST_TREMBLE

ControlAddress = tuple[int, int, int | str]
"""Controller, channel from 0, and control number; or the wheel, or the pressure, by name."""
Travel = tuple[int, int]
"""The lowest and the highest value."""
NOTE_OFF, NOTE_ON = 0x80, 0x90
PEDALS = (64, 66, 67, 68, 69)
"""Those that hold or soften: what a controller that is released no longer holds down."""
_SOURCES: dict[int, str] = {
    0xA0: "key_pressure",
    CONTROL_CHANGE: "control",
    CHANNEL_PRESSURE: "channel_pressure",
    PITCH_BEND: "pitch_bend",
}


class ChannelState:
    """The channels of all controllers."""

    def __init__(self) -> None:
        self._channels: dict[tuple[int, int], ChannelControls] = {}
        self._travels: dict[ControlAddress, Travel] | None = None
        self._told: set[ControlAddress] = set()
        self._rested: dict[ControlAddress, int] = {}
        """Where each stood."""
        self._anchors: dict[ControlAddress, int] = {}
        """Where those stood and others that have been moved since ..."""
        self._unbound: set[ControlAddress] = set()
        """... and which of these were sound controllers that nothing was bound to."""
        self._shifts: dict[int, tuple[int, int]] = {}
        self._zones_off: list[int] = []

    def record(self, message: Sequence[int], controller: int, *, told: bool = False) -> None:
        """Record what a channel message changes; other messages are ignored.

        ``told``: the controller only tells where it stands, and nobody has moved it.
        """
        kind, number = message[0] & 0xF0, message[0] & 0x0F
        if not 0x80 <= kind < 0xF0 or len(message) < 2:
            return
        self._watch_travel(message, controller, told=told)
        channel = self._channels.get((controller, number))
        if channel is None:
            channel = self._channels[controller, number] = ChannelControls()
        if kind == PROGRAM_CHANGE:
            channel.program_change(message[1])
        elif kind == CHANNEL_PRESSURE:
            channel.pressure = message[1]
        elif len(message) < 3:
            return
        elif kind == NOTE_ON and message[2]:
            channel.keys.add(message[1])
        elif kind in (NOTE_ON, NOTE_OFF):
            channel.keys.discard(message[1])
        elif kind == CONTROL_CHANGE:
            channel.control_change(message[1], message[2])
        elif kind == PITCH_BEND:
            channel.bend = (message[1], message[2])

    def _watch_travel(self, message: Sequence[int], controller: int, *, told: bool) -> None:
        source = _SOURCES.get(message[0] & 0xF0)
        if source is None:
            return
        address = controller, message[0] & 0x0F, message[1] if source == "control" else source
        if abs(message[-1] - self._rested.get(address, message[-1])) > MOST_TREMBLE:
            del self._rested[address]
        if told:
            self._told.add(address)
        else:
            self._told.discard(address)
        travels = self._travels
        if travels is not None:
            value = message[-1]
            low, high = travels.get(address, (value, value))
            travels[address] = min(low, value), max(high, value)

    def watch(self, *, wanted: bool = True) -> None:
        """Note from now on how far each control travels; or no more."""
        self._travels = None
        if wanted:
            self._travels = {address: (now, now) for address, now in self.controls().items()}

    def travels(self) -> dict[ControlAddress, Travel]:
        """Return how far each control has travelled since `watch`."""
        return dict(self._travels or {})

    def is_told(self, controller: int, message: Sequence[int]) -> bool:
        """Return whether a message only says where a control stands, for nobody has moved it.

        Or not since a sound was kept as it had made it, but that it trembles; or it stood there.
        """
        address = self._address(controller, message)
        return address in self._told | self._rested.keys() or self._stood(address, message)

    def _stood(self, address: ControlAddress, message: Sequence[int]) -> bool:
        return self._anchors.get(address) == message[-1]

    def is_rested(self, controller: int, message: Sequence[int]) -> bool:
        """Return whether a control has not been moved since a sound was kept as it had made it."""
        return self._address(controller, message) in self._rested

    def _address(self, controller: int, message: Sequence[int]) -> ControlAddress:
        source = _SOURCES.get(message[0] & 0xF0, "")
        return controller, message[0] & 0x0F, message[1] if source == "control" else source

    def keys_down(self) -> set[int]:
        """Return the keys that are down, of all controllers."""
        return set().union(*(set(channel.keys) for channel in list(self._channels.values())))

    def held_keys(self, controller: int, channels: Collection[int] = range(16)) -> int:
        """Return how many keys of a controller are down on these channels."""
        return sum(
            len(channel.keys)
            for (owner, number), channel in list(self._channels.items())
            if owner == controller and number in channels
        )

    def controls(self) -> dict[ControlAddress, int]:
        """Return the value of every control that was moved, by controller, channel and number."""
        return {
            (*address, number): value
            for address, channel in list(self._channels.items())
            for number, value in channel.controls.copy().items()
        }

    def turned(self, numbers: Collection[int | str]) -> dict[ControlAddress, int]:
        """Return the value of those of these controls that somebody has turned.

        Not of those that have not been since a sound was kept as they had made it.
        """
        stand = self.controls().items()
        left_out = self._told | self._rested.keys()
        return {each: now for each, now in stand if each[2] in numbers and each not in left_out}

    def programs(self) -> set[tuple[int, int]]:
        """Return every bank and program that was selected, the bank as 128 CC 0 + CC 32."""
        chosen = [channel.programs[-1:] for channel in list(self._channels.values())]
        return {
            ((high or 0) << 7 | (low or 0), program)
            for latest in chosen
            for high, low, program in latest
        }

    def drop_control(self, controller: int, message: Sequence[int]) -> None:
        """Put the control that a message sets back into the power-up state."""
        if channel := self._channels.get((controller, message[0] & 0x0F)):
            channel.controls.pop(message[1], None)

    def is_untouched(self, controller: int, message: Sequence[int]) -> bool:
        """Return whether the control that a message sets is in the power-up state."""
        channel = self._channels.get((controller, message[0] & 0x0F))
        return channel is not None and message[1] not in channel.controls

    def holding(self) -> list[bytes]:
        """Return the messages that release every key and pedal that is down."""
        messages = []
        for (_, number), channel in list(self._channels.items()):
            messages += [bytes((NOTE_OFF | number, key, 64)) for key in sorted(channel.keys)]
            messages += [
                bytes((CONTROL_CHANGE | number, each, 0))
                for each in PEDALS
                if channel.controls.get(each)
            ]
        return messages

    def lift(self) -> None:
        """Take every key and pedal as released."""
        for channel in list(self._channels.values()):
            channel.keys.clear()
            for each in PEDALS:
                channel.controls.pop(each, None)

    def reset(self, controller: int) -> None:
        """Put a controller's channels back into the power-up state."""
        for address in [address for address in list(self._channels) if address[0] == controller]:
            del self._channels[address]
        self._told = {address for address in self._told if address[0] != controller}
        self._rested = {each: at for each, at in self._rested.items() if each[0] != controller}
        self._anchors = {each: at for each, at in self._anchors.items() if each[0] != controller}
        self._unbound = {each for each in self._unbound if each[0] != controller}
        self._shifts.pop(controller, None)

    def rest(self, bound: Collection[int | str], kept: Collection[int | str]) -> None:
        """Take controls as where they stand, not as moved: a sound has what they made of it.

        ``bound`` are those that are; of these, ``kept`` alone, and the sound controllers that are
        not.
        """
        for (controller, number), channel in list(self._channels.items()):
            for control, value in list(channel.controls.items()):
                address = controller, number, control
                unbound = control in SOUND_CONTROLS and control not in bound
                if control in kept or unbound:
                    self._rested[address] = self._anchors[address] = value
                    (self._unbound.add if unbound else self._unbound.discard)(address)

    def rests(self) -> list[tuple[int, bytes]]:
        """Return where controls stood when a sound was kept as they had made it, as messages.

        After a sound controller comes one more, which says so to a player.
        """
        found = []
        for address, value in self._anchors.items():
            controller, number, control = address
            found.append((controller, bytes((CONTROL_CHANGE | number, int(control), value))))
            if address in self._unbound:
                found.append((controller, resting(number, int(control))))
        return found

    def rest_again(self, controller: int, message: Sequence[int]) -> None:
        """Take one of those messages, of an earlier daemon."""
        if message[0] == RESUME:
            self._unbound.add((controller, *rests(message[2])))
            return
        self.record(message, controller)
        address = self._address(controller, message)
        self._rested[address] = self._anchors[address] = message[2]

    def shift(self, controller: int, octave: int, transposed: int, zones_off: list[int]) -> None:
        """Record where gestures have brought a controller, and which zones they have left off."""
        self._shifts[controller] = octave, transposed
        self._zones_off = zones_off

    def resume(self, controller: int, message: Sequence[int]) -> None:
        """Take one of those messages in which gestures are left to a later daemon."""
        if message[1] == ZONE_OFF:
            self._zones_off = [*self._zones_off, message[2]]
        else:
            self._shifts[controller] = message[1] - ORIGIN, message[2] - ORIGIN

    def standing(self) -> tuple[dict[int, int], list[int]]:
        """Return the octave of each controller by gestures, and the zones that are off."""
        return {controller: octave for controller, (octave, _) in self._shifts.items()}, list(
            self._zones_off
        )

    def _is_to_tell(self, controller: int, message: bytes) -> bool:
        """Return whether a player is to know where a control stood before it knows where it is."""
        if message[0] == RESUME or self._address(controller, message) in self._unbound:
            return True
        return not self.is_rested(controller, message)

    def messages(self) -> list[tuple[int, bytes]]:
        """Return controllers and messages, in the order that a fresh receiver needs.

        A control that has been moved since a sound was kept tells first where it stood.
        """
        shifts, off = list(self._shifts.items()), self._zones_off
        resumed = [(controller, resuming(*shift)) for controller, shift in shifts if any(shift)]
        stood = [each for each in self.rests() if self._is_to_tell(*each)]
        return [*resumed, *((0, switching_off(zone)) for zone in off), *stood] + [
            (controller, message)
            for (controller, number), channel in list(self._channels.items())
            for message in channel.messages(number)
        ]
