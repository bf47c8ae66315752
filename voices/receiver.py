"""The receiver: what each MIDI message does to channels and notes.

Sixteen channels for every controller. Messages are the bytes of one message, status first;
values are as on the wire. What is not understood is ignored.

Source: MIDI 1.0 Detailed Specification 4.2.1, tables I to III; RP-015 for Reset All Controllers.
"""

from collections.abc import Callable, Mapping, Sequence

from config.settings import Settings
from voices.channel import Channel
from voices.motion import LEFT, RIGHT, Motion
from voices.notes import Notes

CHANNELS = 16
SYSTEM_RESET = 0xFF
ALL_SOUND_OFF, RESET_ALL_CONTROLLERS, ALL_NOTES_OFF = 120, 121, 123


class Receiver:
    """The channels of every controller."""

    def __init__(self, notes: Notes, motion: Motion, *, mono: bool) -> None:
        self._notes = notes
        self._motion = motion
        self._mono = mono
        self._channels: dict[tuple[int, int], Channel] = {}
        self._settings: Settings
        self._aimed: object = None
        self._bound: list[int] = []

    def apply(self, settings: Settings, frame: int) -> None:
        """Put settings in force; every channel moves to where its controls are under them."""
        self._settings = settings
        aimed = (settings.level, settings.vibrato, settings.bindings)
        if aimed == self._aimed:
            return  # nothing that a control aims by has changed
        self._aimed = aimed
        self._bound = sorted({each.partial for each in settings.bindings if each.partial})
        self._motion.bind(len(self._bound))
        for channel in self._channels.values():
            self._motion.swing_at(channel.index, settings.vibrato.rate_hz, frame)
            channel.goals = []
            self._aim(channel, frame)

    @property
    def bound(self) -> list[int]:
        """The partials with a control of their own, from 1, in the order of `Motion`."""
        return self._bound

    def take(self, message: Sequence[int], controller: int, at: int) -> None:
        """Take a message at an absolute frame."""
        status = message[0]
        if status == SYSTEM_RESET:
            self.unplugged(controller, at)
        elif 0x80 <= status < 0xF0 and len(message) >= 2:
            handle = self._HANDLERS.get(status & 0xF0)
            if handle is not None:
                handle(self, self._channel(controller, status & 0x0F), message, at)

    def unplugged(self, controller: int, at: int) -> None:
        """Release every note of a controller that is gone, and reset its controls."""
        self._notes.unplugged(controller, at)
        for channel in self._channels.values():
            if channel.controller == controller:
                channel.power_up()
                self._aim(channel, at)

    def expect(self, controller: int) -> None:
        """Make a controller's channels before its first message asks for them."""
        channels = [Channel(controller, number) for number in range(CHANNELS)]
        for channel in channels:
            channel.goals = channel.aims(self._settings, self._bound, self._mono)
        first = self._motion.add([channel.goals for channel in channels])
        for channel in channels:
            channel.index = first + channel.number
            self._channels[controller, channel.number] = channel

    def _channel(self, controller: int, number: int) -> Channel:
        channel = self._channels.get((controller, number))
        if channel is None:
            self.expect(controller)
            channel = self._channels[controller, number]
        return channel

    def _aim(self, channel: Channel, at: int) -> None:
        """Send the values of a channel to where its controls are."""
        goals = channel.aims(self._settings, self._bound, self._mono)
        old = channel.goals
        if goals == old:
            return
        for column, goal in enumerate(goals):
            if not old or goal != old[column]:
                self._motion.aim(channel.index, column, goal, at)
        channel.goals = goals
        if goals[LEFT] or goals[RIGHT]:
            self._notes.heard(channel)

    def _note_on(self, channel: Channel, message: Sequence[int], at: int) -> None:
        if message[2]:
            self._notes.strike(channel, message[1], message[2], at)
        else:
            self._notes.key_up(channel, message[1], at)

    def _note_off(self, channel: Channel, message: Sequence[int], at: int) -> None:
        self._notes.key_up(channel, message[1], at)

    def _control(self, channel: Channel, message: Sequence[int], at: int) -> None:
        number, value = message[1], message[2]
        held = channel.sustain
        if number < ALL_SOUND_OFF:
            channel.control(number, value, self._settings.bindings)
        elif number == ALL_SOUND_OFF:
            self._notes.silence(channel, at)
        elif number == RESET_ALL_CONTROLLERS:
            channel.reset_controllers()
        elif number >= ALL_NOTES_OFF:  # 124 to 127, the modes, imply it
            self._notes.keys_up(channel, at)
        if held and not channel.sustain:
            self._notes.pedal_up(channel, at)
        self._aim(channel, at)

    def _program(self, channel: Channel, message: Sequence[int], at: int) -> None:
        programs = self._settings.sound.programs
        if message[1] < len(programs) and programs[message[1]] in self._notes.sounds:
            channel.sound = programs[message[1]]

    def _bend(self, channel: Channel, message: Sequence[int], at: int) -> None:
        channel.bend = (message[2] << 7 | message[1]) - 8192
        self._aim(channel, at)

    _HANDLERS: Mapping[int, Callable[["Receiver", Channel, Sequence[int], int], None]] = {
        0x80: _note_off,
        0x90: _note_on,
        0xB0: _control,
        0xC0: _program,
        0xE0: _bend,
    }
