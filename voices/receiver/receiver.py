"""The receiver: what each MIDI message does to channels and notes.

Sixteen channels for every controller. Messages are the bytes of one message, status first;
values are as on the wire. What is not understood is ignored.

What it does stands in tables, with the words for an implementation chart beside each entry:
`MESSAGES`, `CONTROLS`, `MODES`, `PARAMETERS` and `EXCLUSIVE`, in the modules of their names, and
`SYSTEM` beside the first.

Source: MIDI 1.0 Detailed Specification 4.2.1, tables I to VI.
"""

from collections import deque
from collections.abc import Sequence

from config.settings import Settings
from voices.channels.channel import Channel
from voices.channels.control_targets import STANDING, goals, pitch_cents, rate_hz
from voices.channels.master import Master
from voices.channels.mpe_zone import MpeZones
from voices.channels.tunings import Tuning, Tunings
from voices.modulation.smoother import FIRST_LEVEL, LEFT, PITCH, RIGHT, VIBRATO_DEPTH, Smoother
from voices.notes.notes import Notes
from voices.receiver import sysex
from voices.receiver.active_sensing import Sensing
from voices.receiver.channel_mode import MODES, Routing
from voices.receiver.channel_voice import CONTROL, MESSAGES, NOTE_ON, Message
from voices.receiver.control_change import CONTROLS, bound
from voices.receiver.entry import Handler

CHANNELS = 16
REPLIES = 16
"""So many answers wait for their controllers at most."""


class Receiver:
    """The channels of every controller."""

    def __init__(self, notes: Notes, smoother: Smoother, *, sample_rate: int, mono: bool) -> None:
        self.notes = notes
        self.master = Master()
        self.tunings = Tunings(sample_rate)
        self.zones = MpeZones()
        self.sensing = Sensing(sample_rate)
        self.settings: Settings
        self.replies: deque[tuple[int, bytes]] = deque(maxlen=REPLIES)
        """Controller and message, whole, for whoever can send them."""
        self.bound: list[int] = []
        """The partials with a control of their own, from 1, in the order of `Smoother`."""
        self._smoother = smoother
        self._mono = mono
        self._modes: dict[int, Routing] = {}
        self.controls: list[Handler | None] = []
        """What each controller does under the settings."""
        self._ignored: frozenset[str] = frozenset()
        self._heeded: object = None
        self._aimed: object = None
        self._routed: object = None

    # --- settings --------------------------------------------------------------------------

    def apply(self, settings: Settings, frame: int) -> None:
        """Put settings in force; every channel moves to where its controls are under them."""
        self.settings = settings
        heeded = (settings.controller.ignore, settings.bindings)
        if heeded != self._heeded:
            self._heeded = heeded
            self._ignored = frozenset(settings.controller.ignore)
            controls = {binding.control for binding in settings.bindings}
            self.controls = [self._act_of(number, controls) for number in range(128)]
        if self.tunings.apply(settings.tuning):
            for channel in self._channels():
                channel.tuning = self.tunings.preset
        chosen = settings.controller
        routed = (chosen.mode, chosen.basic_channel, chosen.channels)
        if routed != self._routed:
            self._routed = routed
            for controller, modes in self._modes.items():
                # What is down may be heard no more when it is let go.
                self.notes.cut_controller(controller, frame, "other channels in the settings")
                self.zones.forget(modes.channels)
                for channel in modes.channels:
                    channel.own_pedals.lift()
                modes.power_up(*routed)
        aimed = (settings.level, settings.vibrato, settings.pressure, settings.bindings)
        if aimed == self._aimed:
            return  # nothing that a control aims by has changed
        self._aimed = aimed
        bound = [*STANDING, *sorted({each.partial for each in settings.bindings if each.partial})]
        if bound != self.bound:
            self.bound = bound
            self._smoother.set_level_columns(len(bound))
            for channel in self._channels():
                del channel.targets[FIRST_LEVEL:]
                self.notes.forget_targets(channel, FIRST_LEVEL)
        self.aim_all(frame)

    def _act_of(self, number: int, controls: set[int]) -> Handler | None:
        """Return what a controller does: what it is bound to, or its own meaning."""
        if number in controls:
            return bound
        entry = CONTROLS.get(number) or MODES.get(number)
        ignored = "mode_message" if number >= 120 else "control_change"
        if entry is None or ignored in self._ignored:
            return None
        if number in (0, 32) and "bank_select" in self._ignored:
            return None
        return entry.act

    # --- messages --------------------------------------------------------------------------

    def take(self, message: Sequence[int], controller: int, at: int) -> None:
        """Take a message at an absolute frame."""
        if self.sensing.watched:
            self.sensing.heard(controller, at)
        status = message[0]
        if status < 0xF0:
            entry = MESSAGES.get(status >> 4)
            if entry is not None and len(message) >= entry.length:
                self._take_channel(entry, message, controller, at)
        elif status == 0xF0:
            if "system_exclusive" not in self._ignored:
                sysex.take(self, controller, message, at)
        elif status == 0xFE and "active_sensing" not in self._ignored:
            self.sensing.watch(controller, at)
        elif status == 0xFF:
            self.unplugged(controller, at, "system reset")

    def _take_channel(
        self, entry: Message, message: Sequence[int], controller: int, at: int
    ) -> None:
        status, first = message[0], message[1]
        second = message[2] if entry.length > 2 else 0
        number = status & 0x0F
        channel = self._modes_of(controller).route[number]
        if first > 127 or second > 127:
            pass  # no message
        elif channel is None:
            if status >> 4 == NOTE_ON and second:
                place = (controller, number, first)
                self.notes.refuse("channel not listened to", place, second, at)
        elif first >= 120 and status >> 4 == CONTROL and channel.number != number:
            pass  # mode messages count on the basic channel alone
        elif entry.kind not in self._ignored:
            entry.act(self, channel, first, second, at)

    def unplugged(self, controller: int, at: int, by: str = "controller unplugged") -> None:
        """Release every note of a controller that is gone, and reset its controls."""
        self.notes.cut_controller(controller, at, by)
        self.sensing.forget(controller)
        modes = self._modes.get(controller)
        if modes is not None:
            self._power_up(modes, at)

    def listen(self, now: int) -> None:
        """Turn off the notes of controllers that were to keep talking and fell silent."""
        for controller in self.sensing.silent(now):
            self.notes.cut_controller(controller, now, "active sensing: the controller fell silent")

    def power_up(self, at: int) -> None:
        """Bring everything to where it is at power-on."""
        self.master.power_up()
        for controller, modes in self._modes.items():
            self.notes.cut_controller(controller, at, "general MIDI on or off")
            self._power_up(modes, at)

    def _power_up(self, modes: Routing, at: int) -> None:
        self.zones.forget(modes.channels)
        for channel in modes.channels:
            channel.power_up()
            channel.tuning = self.tunings.find(0, 0) or self.tunings.preset
        modes.power_up(
            self.settings.controller.mode,
            self.settings.controller.basic_channel,
            self.settings.controller.channels,
        )
        for channel in modes.channels:
            self.notes.clear_key_pressure(channel, at)
        self._aim_soon(modes.channels, at)

    def reply(self, controller: int, body: bytes) -> None:
        """Have a system exclusive message sent back to a controller."""
        self.replies.append((controller, b"\xf0" + body + b"\xf7"))

    # --- channels --------------------------------------------------------------------------

    def expect(self, controller: int) -> None:
        """Make a controller's channels before its first message asks for them."""
        channels = [Channel(controller, number) for number in range(CHANNELS)]
        for channel in channels:
            channel.tuning = self.tunings.find(0, 0) or self.tunings.preset
            channel.targets = self._goals(channel)
            channel.rate_hz = rate_hz(channel, self.settings)
        first = self._smoother.add_rows([channel.targets for channel in channels])
        for channel in channels:
            channel.motion_row = first + channel.number
        modes = self._modes[controller] = Routing(channels)
        chosen = self.settings.controller
        modes.power_up(chosen.mode, chosen.basic_channel, chosen.channels)

    def channel(self, controller: int, number: int) -> Channel:
        """Return a channel by its number on the wire."""
        return self._modes_of(controller).channels[number]

    def modes(self, channel: Channel) -> Routing:
        """Return the modes of a channel's controller."""
        return self._modes[channel.controller]

    def _modes_of(self, controller: int) -> Routing:
        modes = self._modes.get(controller)
        if modes is None:
            self.expect(controller)
            modes = self._modes[controller]
        return modes

    def _channels(self) -> list[Channel]:
        return [channel for modes in self._modes.values() for channel in modes.channels]

    def _goals(self, channel: Channel) -> list[float]:
        swells = self.notes.swells(channel)
        return goals(
            channel, self.settings, self.master, self.bound, mono=self._mono, swells=swells
        )

    def aim(self, channel: Channel, at: int) -> None:
        """Send the values of a channel, and of its members, to where its controls are."""
        channel.stale = False
        aims = self._goals(channel)
        rate = rate_hz(channel, self.settings)
        if rate != channel.rate_hz:
            channel.rate_hz = rate
            rows = [voice.motion_row for voice in self.notes.independent(channel)]
            for row in (channel.motion_row, *rows):
                self._smoother.set_vibrato_rate(row, rate, at)
        old = channel.targets
        if aims != old:
            self.notes.glide(at)
            for column, goal in enumerate(aims):
                if column >= len(old) or goal != old[column]:
                    self._smoother.set_target(channel.motion_row, column, goal, at)
            channel.targets = aims
            for voice in self.notes.independent(channel):
                self.notes.refresh(voice, at)
            if (aims[LEFT] or aims[RIGHT]) and not (old[LEFT] or old[RIGHT]):
                self.notes.mark_audible(channel)
        for member in channel.members:
            self.aim(member, at)

    def bend(self, channel: Channel, at: int) -> None:
        """Send the pitch of a channel to where its controls are."""
        if channel.members or self.notes.independent(channel) or channel.stale:
            self.aim(channel, at)
            return
        goal = pitch_cents(channel, self.master)
        if goal != channel.targets[PITCH]:
            self._smoother.set_target(channel.motion_row, PITCH, goal, at)
            channel.targets[PITCH] = goal

    def aim_all(self, at: int) -> None:
        """Send every channel to where its controls and the master controls are."""
        self._aim_soon(self._channels(), at)

    def _aim_soon(self, channels: Sequence[Channel], at: int) -> None:
        """Send those that sound, or swing, to where their controls are.

        The others are sent there by their next note: there are many, and a block has little time.
        """
        for channel in channels:
            channel.stale = True
        swinging = [channel for channel in channels if channel.targets[VIBRATO_DEPTH]]
        for channel in (*self.notes.sounding_channels(), *swinging):
            self.refresh(channel, at)

    def refresh(self, channel: Channel, at: int) -> None:
        """Send a channel, and the one that leads it, to where their controls have long been."""
        for each in (channel.control_channel, channel):
            if each.stale:
                self.aim(each, at)

    # --- tuning ----------------------------------------------------------------------------

    def retuned(self, before: Tuning | None, after: Tuning, at: int, *, sounding: bool) -> None:
        """Take a tuning program that has changed to all its channels."""
        for channel in self._channels():
            if channel.tuning in (before, after):
                channel.tuning = after
                if sounding:
                    self.notes.retune(channel, at)

    def tune(
        self, numbers: Sequence[int], controller: int, tuning: Tuning, at: int, *, sounding: bool
    ) -> None:
        """Give some channels of a controller another tuning."""
        channels = self._modes_of(controller).channels
        for number in numbers:
            channels[number].tuning = tuning
            if sounding:
                self.notes.retune(channels[number], at)
