"""Bound controls: knobs, wheels and pressure that do what the settings have bound them to.

Units: values as on the wire, positions 0.0 to 127.0, frames. Threads: the instrument's.
"""

from config.bindings import Binding, Source
from config.settings import Settings
from config.targets import TARGETS
from voices.channels.channel import Channel
from voices.channels.knob import Knob, moved
from voices.receiver.entry import Handler
from voices.receiver.part import Part

KEY_PRESSURE, CHANNEL_PRESSURE, BEND = 10, 13, 14
"""The upper four bits of their status."""


def bound_handlers(settings: Settings) -> tuple[dict[int, Handler], dict[int, Handler]]:
    """Return what controllers do by number, and other messages by the upper bits of their status.

    Only what is bound is there.
    """
    numbers = {each.control for each in settings.bindings if isinstance(each.control, int)}
    controls: dict[int, Handler] = {number: _coarse for number in numbers}
    controls |= {n + 32: _fine for n in numbers if n < 32 and n + 32 not in numbers}
    named = {each.control for each in settings.bindings} - numbers
    kinds: dict[int, Handler] = {}
    if "channel_pressure" in named:
        kinds[CHANNEL_PRESSURE] = _channel_pressure
    if "key_pressure" in named:
        kinds[KEY_PRESSURE] = _key_pressure
    if "pitch_bend" in named:
        kinds[BEND] = _bend
    return controls, kinds


def _coarse(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    knob = _knob(part, channel, number)
    _turn(part, channel, number, knob, knob.read(value, is_fine=False), at)


def _fine(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    knob = _knob(part, channel, number - 32)
    _turn(part, channel, number - 32, knob, knob.read(value, is_fine=True), at)


def _channel_pressure(part: Part, channel: Channel, value: int, _: int, at: int) -> None:
    knob = _knob(part, channel, "channel_pressure")
    _turn(part, channel, "channel_pressure", knob, float(value), at)


def _key_pressure(part: Part, channel: Channel, key: int, value: int, at: int) -> None:
    knob = _knob(part, channel, "key_pressure")
    _turn(part, channel, "key_pressure", knob, float(value), at)


def _bend(part: Part, channel: Channel, low: int, high: int, at: int) -> None:
    knob = _knob(part, channel, "pitch_bend")
    _turn(part, channel, "pitch_bend", knob, min(127.0, high + low / 128), at)


def _knob(part: Part, channel: Channel, source: Source) -> Knob:
    knob = channel.knobs.get(source)
    if knob is None:
        knob = channel.knobs[source] = Knob(part.sample_rate)
    return knob


def _turn(
    part: Part, channel: Channel, source: Source, knob: Knob, position: float, at: int
) -> None:
    """Move what a knob is bound to; where it only tells its position, that is remembered."""
    if part.telling or (knob.position is None and source in part.newly_bound):
        knob.position = position
        return
    if not knob.moves(position, at):
        return
    before, knob.position = knob.position, position
    start = channel.anchors.get(source)
    own: list[Binding] = []
    for binding in part.bindings[source]:
        row = TARGETS[binding.target]
        rest = _rest(binding, part.settings) if row.rest is None else row.rest
        if row.shared:
            part.shared.turn(binding, before, position, rest, at)
            continue
        own.append(binding)
        value = channel.shape.value(binding, rest)
        if start is None or before is None or value != moved(binding, start, before, rest):
            value = moved(binding, before, position, value)
        else:  # nothing else has moved it: where it stood, the sound is as it was kept
            value = moved(binding, start, position, rest)
        channel.shape.put(binding, value)
    if own:
        part.turn(channel, own, at)


def _rest(binding: Binding, settings: Settings) -> float:
    """Return where the settings have a target."""
    match binding.target:
        case "vibrato_rate":
            return settings.vibrato.rate_hz
        case "tremulant":
            return settings.tremulant.depth
    return settings.room.level_db
