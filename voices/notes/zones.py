"""The zones at work: which layers a key sounds in, and what each layer is made of.

A layer is made when a note first needs it; its rows in `Smoother` come sixteen at a time. Keys
that come up are handed to every layer there is, whatever the settings say by now, so no change of
theirs strands a note. All layers share one polyphony, and its one rule: the oldest released note
gives way, else the oldest of all, whichever zone it is in.

Units: frames, absolute. Threads: the instrument's.
"""

from collections.abc import Callable, Sequence

from config.zones import Zone
from voices.channels.channel import Channel
from voices.channels.layer import Layer
from voices.modulation.smoother import Smoother
from voices.notes.notes import Notes

ROWS = 16

Send = Callable[[Channel, list[float], float, int], None]
"""Sends a channel's values to targets, with a rate of vibrato, from a frame on."""


class Zones:
    """The zones of the settings, and the layers they have made; without any, it is not asked.

    Parameters
    ----------
    notes
        Where notes begin and end.
    smoother, send
        Gives each layer a row, and sends that to where it is to go.
    mono
        Whether everything stands in the middle.
    """

    def __init__(self, notes: Notes, smoother: Smoother, send: Send, *, mono: bool) -> None:
        self.off: set[int] = set()
        """Those that are switched off, counted from 0."""
        self._zones: Sequence[Zone] = ()
        self._notes, self._smoother, self._send, self._mono = notes, smoother, send, mono
        self._layers: dict[Channel, dict[int, Layer]] = {}
        """By channel and the place of the zone."""
        self._levels: dict[int, float] = {}
        """What knobs add to the zones' levels, in dB, and what a blend takes from them."""
        self._faded: dict[int, float] = {}
        self._free: list[int] = []

    def use(self, zones: Sequence[Zone], at: int) -> None:
        """Put the settings' zones in force; sounding notes go on, but for drones without one."""
        if zones == self._zones:
            return
        self._zones = zones
        self.off = {place for place in self.off if place < len(zones)}
        if zones and not self._free:
            self._make_rows()
        for layers in self._layers.values():
            for place, layer in layers.items():
                if place < len(zones):
                    layer.zone = zones[place]
        self._end_drones(at)

    def set_level(self, place: int, level_db: float, at: int) -> None:
        """Make a zone louder than the settings say by so many dB."""
        self._levels[place] = level_db
        self._put_level(place, at)

    def fade(self, place: int, level_db: float, at: int) -> None:
        """Make a zone quieter by so many dB, whatever its level is."""
        if self._faded.get(place, 0.0) != level_db:
            self._faded[place] = level_db
            self._put_level(place, at)

    def _level(self, place: int) -> float:
        return self._levels.get(place, 0.0) + self._faded.get(place, 0.0)

    def _put_level(self, place: int, at: int) -> None:
        for layers in self._layers.values():
            if place in layers:
                layers[place].level_db = self._level(place)
                if not layers[place].base.stale:  # else its next note sends it there
                    self._send_layer(layers[place], at)

    def switch(self, place: int, at: int) -> bool | None:
        """Turn a zone off, or on again, from the next note on; return whether it is on.

        None: there is no such zone. The drones of one that is turned off stop.
        """
        if place >= len(self._zones):
            return None
        self.off ^= {place}
        if place in self.off:
            self._end_drones(at)
        return place not in self.off

    def note_on(self, channel: Channel, key: int, velocity: float, at: int) -> None:
        """Begin a note in every zone that a key plays, or book that there is none."""
        notes, played, number = self._notes, 0, channel.control_channel.number
        address = (channel.controller, channel.number, key)
        for place, zone in enumerate(self._zones):
            if place in self.off or not zone.covers(key, number):
                continue
            layer = self._layer(channel, place, at)
            layer.meet()
            if zone.hold and notes.end_drone(layer, key, at):
                notes.refuse("taken as a command", address, int(velocity), at)
            else:
                notes.note_on(layer, key, velocity, at, drone=zone.hold)
            played += 1
        channel.glide_from = None
        if played:
            notes.ledger.layered += played - 1
        else:
            notes.refuse("outside every zone", address, int(velocity), at)

    def set_targets(self, channel: Channel, at: int) -> None:
        """Send every layer of a channel to where the channel's controls are now."""
        for layer in self._layers.get(channel, {}).values():
            self._send_layer(layer, at)

    def _send_layer(self, layer: Layer, at: int) -> None:
        base, swells = layer.base, self._notes.swells(layer)
        targets = layer.targets_from(base.targets, mono=self._mono, swells=swells)
        self._send(layer, targets, base.rate_hz, at)

    def _layer(self, channel: Channel, place: int, at: int) -> Layer:
        """Return what a zone makes of a channel."""
        layers = self._layers.setdefault(channel, {})
        layer = layers.get(place)
        if layer is None:
            layer = layers[place] = Layer(channel, place, self._zones[place])
            layer.level_db = self._level(place)
            channel.layers.append(layer)
            if not self._free:
                self._make_rows()
            layer.motion_row = self._free.pop()
            self._smoother.copy_row(channel.motion_row, layer.motion_row)
            layer.targets, layer.rate_hz = list(channel.targets), channel.rate_hz
            self._send_layer(layer, at)
            self._smoother.snap(layer.motion_row)
        manager = channel.manager
        layer.manager = None if manager is None else self._layer(manager, place, at)
        return layer

    def _make_rows(self) -> None:
        columns = self._smoother.values.shape[1]
        first = self._smoother.add_rows([[0.0] * columns] * ROWS)
        self._free.extend(range(first, first + ROWS))

    def _end_drones(self, at: int) -> None:
        """End the drones whose zone has gone, or is off, or has other keys now."""
        for voice in self._notes.drones():
            layer, key = voice.channel, voice.address[2]
            if not isinstance(layer, Layer):
                continue
            place = layer.place
            zone = self._zones[place] if place < len(self._zones) else None
            number = layer.control_channel.number
            if zone is None or place in self.off or not zone.covers(key, number):
                self._notes.end_drone(layer, key, at)
