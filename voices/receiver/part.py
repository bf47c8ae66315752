"""The part: what messages act on, which is sixteen channels for every controller and their notes.

It holds what the handlers of all messages work on. It sends every control of a channel to where
messages and settings want it, with `Smoother`; what keys and pedals do is the business of `Notes`.

Units: frames, absolute; values as on the wire. Threads: the instrument's.
"""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from typing import Literal

from config.bindings import Binding, Source, played_targets
from config.settings import Settings
from voices.channels.channel import CHANNELS, Channel
from voices.channels.control_targets import (
    LEVELS,
    Columns,
    columns_for,
    control_targets,
    kept_of,
    moved_columns,
    pitch_cents,
    rate_hz,
)
from voices.channels.master import Master
from voices.channels.mpe_zone import end_zones
from voices.channels.routing import Routing
from voices.channels.tunings import Tuning, Tunings
from voices.modulation.smoother import (
    FIRST_LEVEL,
    LEFT,
    PITCH,
    RIGHT,
    TILT,
    VIBRATO_DEPTH,
    Smoother,
)
from voices.notes.notes import Notes
from voices.notes.zones import Zones
from voices.receiver.shared_controls import SharedControls

REPLIES = 16
"""So many answers wait for their controllers at most."""


class Part:
    """The channels of every controller, and what they share."""

    def __init__(self, notes: Notes, smoother: Smoother, *, sample_rate: int, mono: bool) -> None:
        self.notes = notes
        self.zones = Zones(notes, smoother, self._send, mono=mono)
        self.strike: Callable[..., None] = notes.note_on
        """What a key does that goes down, and below, that comes up."""
        self.lift: Callable[..., None] = notes.key_up
        self.master = Master()
        self.tunings = Tunings(sample_rate)
        self.settings: Settings
        self.replies: deque[tuple[int, bytes]] = deque(maxlen=REPLIES)
        """Controller and message, whole, for whoever can send them."""
        self.shared = SharedControls(smoother, self.zones)
        """The bound targets that no channel has for itself."""
        self.sample_rate = sample_rate
        self.bindings: dict[Source, list[Binding]] = {}
        """What each bound control changes."""
        self.newly_bound: set[Source] = set()
        """Those bound since the start: what they send first says where they are, no more."""
        self.telling = False
        """Whether a controller only tells where its knobs are: none of them has been moved."""
        self.rests_next: Literal["", "as told", "as they are"] = ""
        """Whether the next settings bring a sound that has what knobs have made of it; and when."""
        self.level_columns: list[int] = []
        """The partials with a level of their own, in the order of the columns of `Smoother`."""
        self._smoother = smoother
        self._mono = mono
        self._routings: dict[int, Routing] = {}
        self._targets_from: object = None
        self._routed_by: object = None

    # --- settings --------------------------------------------------------------------------

    def apply(self, settings: Settings, frame: int) -> None:
        """Put settings in force; every channel moves to where its controls are under them."""
        self.settings = settings
        if self.tunings.apply(settings.tuning):
            for channel in self._channels():
                channel.tuning = self.tunings.preset
        self._apply_routing(frame)
        self.zones.use(settings.zones, frame)
        self.shared.apply(settings, frame)
        if self.rests_next:
            for channel in self._channels():
                channel.rest_kept(settings.bindings, as_told=self.rests_next == "as told")
            self.rests_next, self._targets_from = "", ()
        used = (
            *(settings.level, settings.vibrato, settings.pressure, settings.bindings),
            *(settings.zones, settings.morph),
        )
        if used == self._targets_from:
            return
        self._morph = settings.morph
        first, self._targets_from = self._targets_from is None, used
        before, self.bindings = self.bindings, {}
        for binding in settings.bindings:
            self.bindings.setdefault(binding.control, []).append(binding)
        if not first:
            self.newly_bound |= self.bindings.keys() - before.keys()
        found = {column for each in settings.bindings for column in columns_for(each)}
        columns = [*LEVELS, *sorted(found)]
        if columns != self.level_columns:
            self.level_columns = columns
            self._smoother.set_level_columns(len(columns))
            for channel in self._channels():
                for each in (channel, *channel.layers):
                    del each.targets[FIRST_LEVEL:]
                    self.notes.forget_targets(each, FIRST_LEVEL)
        self.set_all_targets(frame)

    def _apply_routing(self, frame: int) -> None:
        chosen = self.settings.controller
        routed_by = (chosen.mode, chosen.basic_channel, chosen.channels)
        if routed_by == self._routed_by:
            return
        self._routed_by = routed_by
        for controller, routing in self._routings.items():
            # A key that is down now may not be heard when it comes up.
            self.notes.cut_controller(controller, frame, "other channels in the settings")
            end_zones(routing.channels)
            for channel in routing.channels:
                channel.own_pedals.lift()
            routing.power_up(*routed_by)

    # --- power-on --------------------------------------------------------------------------

    def power_up(self, at: int) -> None:
        """Bring everything to where it is at power-on."""
        self.master.power_up()
        self.shared.power_up(self.settings, at)
        for controller in self._routings:
            self.power_up_controller(controller, at, "general MIDI on or off")

    def power_up_controller(self, controller: int, at: int, by: str) -> None:
        """Release every note of a controller, and bring it to where it is at power-on."""
        self.notes.cut_controller(controller, at, by)
        routing = self._routings.get(controller)
        if routing is None:
            return
        end_zones(routing.channels)
        for channel in routing.channels:
            channel.power_up()
            channel.tuning = self.tunings.default
        chosen = self.settings.controller
        routing.power_up(chosen.mode, chosen.basic_channel, chosen.channels)
        for channel in routing.channels:
            self.notes.clear_key_pressure(channel, at)
        self._set_targets_heard(routing.channels, at)

    def moves(self, channel: Channel) -> Iterator[tuple[str, int, float]]:
        """Yield what knobs have made of the sound; what a channel has itself comes last."""
        played = played_targets(self.settings.bindings)
        for each in (*self._channels(), channel.control_channel):
            each.tell()
            yield from kept_of(each, played)

    def panic(self, at: int) -> None:
        """End every note of every controller at once and lift every pedal; controls stay."""
        for channel in self._channels():
            channel.own_pedals.lift()
            self.notes.sound_off(channel, at, "panic")

    def reply(self, controller: int, body: bytes) -> None:
        """Have a system exclusive message sent back to a controller."""
        self.replies.append((controller, b"\xf0" + body + b"\xf7"))

    # --- channels --------------------------------------------------------------------------

    def add_controller(self, controller: int) -> Routing:
        """Make a controller's channels, as its first message does."""
        channels = [Channel(controller, number) for number in range(CHANNELS)]
        for channel in channels:
            channel.tuning = self.tunings.default
            channel.targets = self._targets(channel)
            channel.rate_hz = rate_hz(channel, self.settings)
        first = self._smoother.add_rows([channel.targets for channel in channels])
        for channel in channels:
            channel.motion_row = first + channel.number
        routing = self._routings[controller] = Routing(channels)
        chosen = self.settings.controller
        routing.power_up(chosen.mode, chosen.basic_channel, chosen.channels)
        return routing

    def routing(self, controller: int) -> Routing:
        """Return the channels of a controller, made if this is the first that is heard of it."""
        return self._routings.get(controller) or self.add_controller(controller)

    def _channels(self) -> list[Channel]:
        return [channel for routing in self._routings.values() for channel in routing.channels]

    def shift(self, controller: int, octave: int, transposed: int) -> None:
        """Have a controller's keys sound so many octaves and keys higher, from the next on."""
        for channel in self.routing(controller).channels:
            channel.octave, channel.transposed = octave, transposed
            channel.shift = 12 * octave + transposed

    # --- targets ---------------------------------------------------------------------------

    def _targets(self, channel: Channel) -> list[float]:
        return control_targets(
            *(channel, self.settings, self.master, self.level_columns),
            mono=self._mono,
            swells=self.notes.swells(channel),
        )

    def set_targets(self, channel: Channel, at: int) -> None:
        """Send the values of a channel, and of its members, to where its controls are."""
        channel.stale = False
        self._send(channel, self._targets(channel), rate_hz(channel, self.settings), at)
        if channel.layers:
            self.zones.set_targets(channel, at)
        for member in channel.members:
            self.set_targets(member, at)

    def _send(self, channel: Channel, targets: list[float], rate: float, at: int) -> None:
        """Send the values of a channel, or of a layer, to targets."""
        if rate != channel.rate_hz:
            channel.rate_hz = rate
            rows = [voice.motion_row for voice in self.notes.independent(channel)]
            for row in (channel.motion_row, *rows):
                self._smoother.set_vibrato_rate(row, rate, at)
        old = channel.targets
        if targets != old:
            self.notes.glide(at)
            for column, target in enumerate(targets):
                if column >= len(old) or target != old[column]:
                    self._smoother.set_target(channel.motion_row, column, target, at)
            channel.targets = targets
            for voice in self.notes.independent(channel):
                self.notes.refresh(voice, at)
            if (targets[LEFT] or targets[RIGHT]) and not (old[LEFT] or old[RIGHT]):
                self.notes.mark_audible(channel)

    def bend(self, channel: Channel, at: int) -> None:
        """Send the pitch of a channel to where its controls are."""
        self._aim(channel, [(PITCH, pitch_cents(channel, self.master))], at)

    def turn(self, channel: Channel, bindings: Sequence[Binding], at: int) -> None:
        """Send the values of a channel to where bound controls have brought these targets."""
        self._aim(channel, moved_columns(bindings, channel, self.level_columns, self._morph), at)

    def _aim(self, channel: Channel, columns: Columns | None, at: int) -> None:
        """Send some columns of a channel to targets; where others follow it, or if None, all."""
        crowd = channel.members or channel.layers or self.notes.independent(channel)
        if crowd or channel.stale or columns is None:
            self.set_targets(channel, at)
            return
        for column, target in columns:
            if target != channel.targets[column]:
                self._smoother.set_target(channel.motion_row, column, target, at)
                channel.targets[column] = target

    def set_all_targets(self, at: int) -> None:
        """Send every channel to where its controls and the master controls are."""
        self._set_targets_heard(self._channels(), at)

    def _set_targets_heard(self, channels: Sequence[Channel], at: int) -> None:
        """Send those that are heard to where their controls are; their next note sends others."""
        for channel in channels:
            channel.stale = True
        restless = [each for each in channels if any(each.targets[VIBRATO_DEPTH:TILT])]
        for channel in (*self.notes.sounding_channels(), *restless):
            self.refresh(channel, at)

    def refresh(self, channel: Channel, at: int) -> None:
        """Send a channel, and the one it follows, to where their controls have long been."""
        for each in (channel.control_channel, channel):
            if each.stale:
                self.set_targets(each, at)

    # --- tuning ----------------------------------------------------------------------------

    def tuning_changed(
        self, before: Tuning | None, after: Tuning, at: int, *, sounding: bool
    ) -> None:
        """Give a tuning program that has changed to all channels that use it."""
        for channel in self._channels():
            if channel.tuning in (before, after):
                self._tune(channel, after, at, sounding=sounding)

    def tune(
        self, numbers: Sequence[int], controller: int, tuning: Tuning, at: int, *, sounding: bool
    ) -> None:
        """Give some channels of a controller another tuning."""
        channels = self.routing(controller).channels
        for number in numbers:
            self._tune(channels[number], tuning, at, sounding=sounding)

    def _tune(self, channel: Channel, tuning: Tuning, at: int, *, sounding: bool) -> None:
        channel.tuning = tuning
        if sounding:
            self.notes.retune(channel, at)
