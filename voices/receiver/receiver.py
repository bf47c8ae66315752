"""The receiver: from the bytes of a message to its entry in a table, and nothing else.

What a message does stands in the tables, with the words for an implementation chart beside each
entry: `MESSAGES`, `CONTROLS`, `MODES`, `PARAMETERS` and `EXCLUSIVE`, in the modules of their names,
and `SYSTEM` beside the first. What it is done to is the part. What is not understood is ignored.

Source: MIDI 1.0 Detailed Specification 4.2.1, tables I to VI.
"""

from collections.abc import Sequence

from config.gestures import ORIGIN, RESTED, RESTS, RESUME, TELL, ZONE_OFF, rests
from config.settings import Settings
from voices.channels.channel import Channel
from voices.receiver import sysex
from voices.receiver.active_sensing import ActiveSensing
from voices.receiver.bound_control import bound_handlers
from voices.receiver.channel_mode import MODES
from voices.receiver.channel_voice import (
    CONTROL,
    MESSAGES,
    NOTE_ON,
    PROGRAM,
    Message,
    choose_program,
)
from voices.receiver.commands import Commands
from voices.receiver.control_change import CONTROLS, ON
from voices.receiver.entry import Handler
from voices.receiver.gestures import Gestures
from voices.receiver.part import Part


class Receiver:
    """Looks up what each message does under the settings, and has it done."""

    def __init__(self, part: Part, sample_rate: int) -> None:
        self._part = part
        self._sensing = ActiveSensing(sample_rate)
        self._commands = Commands(part)
        self.gestures = Gestures(part.notes, self._commands.do, part.notes.note_on)
        self._controls: list[Handler | None] = []
        """What each controller does under the settings."""
        self._messages: dict[int, Message] = {}
        """What messages of each kind do under the settings; those that are ignored are left out."""
        self._ignored: frozenset[str] = frozenset()
        self._looked_up: object = None

    def apply(self, settings: Settings) -> None:
        """Put settings in force: what is bound, and what is ignored."""
        plain = self._part.zones.note_on if settings.zones else self._part.notes.note_on
        self._part.strike, self._part.lift = plain, self._part.notes.key_up
        self.gestures.strike = plain
        if self.gestures.use(settings):
            self._part.strike, self._part.lift = self.gestures.note_on, self.gestures.key_up
        used = (settings.controller.ignore, settings.bindings, settings.gestures.held)
        if used != self._looked_up:
            self._looked_up = used
            controls, kinds = bound_handlers(settings)
            bound_kinds = {MESSAGES[kind].kind for kind in kinds}
            self._ignored = frozenset(settings.controller.ignore) - bound_kinds
            self._controls = [controls.get(n) or self._handler(n) for n in range(128)]
            if self.gestures.control >= 0:
                self._controls[self.gestures.control] = self._hold
            if self.gestures.program >= 0:
                kinds[PROGRAM] = self._program
            self._messages = {
                number: entry._replace(handler=kinds.get(number) or entry.handler)
                for number, entry in MESSAGES.items()
                if entry.kind not in self._ignored
            }

    def _hold(self, part: Part, channel: Channel, number: int, value: int, at: int) -> None:
        """Take the pedal or the button that makes keys commands."""
        if value < ON or not part.telling:
            self.gestures.hold(channel.controller, down=value >= ON)

    def _program(self, part: Part, channel: Channel, program: int, _: int, at: int) -> None:
        """Take the program button that makes the next key a command."""
        if program == self.gestures.program:
            self.gestures.arm(channel.controller)
        else:
            choose_program(part, channel, program, 0, at)

    def _handler(self, number: int) -> Handler | None:
        """Return what a controller does that is not bound."""
        entry = CONTROLS.get(number) or MODES.get(number)
        ignored = "mode_message" if number >= 120 else "control_change"
        if entry is None or ignored in self._ignored:
            return None
        if number in (0, 32) and "bank_select" in self._ignored:
            return None
        return entry.handler

    def dispatch(self, message: Sequence[int], controller: int, at: int) -> None:
        """Have a message handled that takes effect at an absolute frame."""
        if self._sensing.silent_from:
            self.release_silent(at + 1)
            self._sensing.heard(controller, at)
        status = message[0]
        if status < 0xF0:
            entry = self._messages.get(status >> 4)
            if entry is not None and len(message) >= entry.length:
                self._dispatch_channel_message(entry, message, controller, at)
        elif status == 0xF0:
            if "system_exclusive" not in self._ignored:
                sysex.dispatch(self._part, controller, message, at)
        elif status == 0xFE and "active_sensing" not in self._ignored:
            self._sensing.watch(controller, at)
        elif status == RESUME and len(message) == 3:
            self._resume(controller, message[1], message[2], at)
        elif status == 0xFF:
            self.reset(controller, at, "system reset")

    def _dispatch_channel_message(
        self, entry: Message, message: Sequence[int], controller: int, at: int
    ) -> None:
        status, first = message[0], message[1]
        second = message[2] if entry.length > 2 else 0
        kind, number = status >> 4, status & 0x0F
        if first > 127 or second > 127:
            return
        channel = self._part.routing(controller).heard_by[number]
        if channel is None:
            if kind == NOTE_ON and second:
                address = (controller, number, first)
                self._part.notes.refuse("channel not listened to", address, second, at)
            return
        handler = entry.handler
        if kind == CONTROL:
            if first >= 120 and channel.number != number:
                return  # mode messages count on the basic channel alone
            handler = self._controls[first]
        if handler is not None:
            handler(self._part, channel, first, second, at)

    def _resume(self, controller: int, first: int, second: int, at: int) -> None:
        if first == ZONE_OFF:
            self._part.zones.off.add(second - 1)
        elif first == RESTED:
            self._part.rests_next = "as told" if second else "as they are"
        elif first == RESTS:
            place, number = rests(second)
            channel = self._part.routing(controller).heard_by[place]
            if channel is not None and number not in self._part.bindings:
                channel.rest_at(number)
                self._part.set_targets(channel, at)
        elif first == TELL:
            heard = self._part.routing(controller).channels[0]
            self.gestures.done.append(self._commands.tell(heard))
        else:
            self._part.shift(controller, first - ORIGIN, second - ORIGIN)

    def reset(self, controller: int, at: int, by: str) -> None:
        """Release every note of a controller, and bring it to where it is at power-on."""
        self.release_silent(at + 1)
        self._sensing.forget(controller)
        self.gestures.forget(controller)
        self._part.power_up_controller(controller, at, by)

    def release_silent(self, until: int) -> None:
        """Release the notes of controllers that fell silent before a frame (active sensing)."""
        if not self._sensing.silent_from:  # most controllers send none, and every block asks
            return
        for controller, at in self._sensing.fallen_silent(until):
            self._part.notes.cut_controller(
                controller, at, "active sensing: the controller fell silent"
            )
