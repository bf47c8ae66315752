"""Control targets: where the controls of a channel want each column of `Smoother`.

A member of a zone (MPE) adds its own bend, pressure and brightness to those of its manager; all
its other controls are the manager's.

Units: gains linear, cents, dB per octave, dB, hertz.
"""

from collections.abc import Collection, Iterator, Sequence
from math import log10

from config.bindings import Binding
from config.settings import PressureTarget, Settings
from config.shaped_sound import KEEPABLE
from config.targets import TARGETS
from voices.channels.channel import Channel
from voices.channels.master import Master
from voices.channels.shaping import Shaping
from voices.curves import balance_gains, controller_gain, db_to_gain, pan_gains
from voices.modulation.smoother import DETUNING, FIRST_LEVEL, STRETCH, TILT, VIBRATO_DEPTH
from voices.synthesis.partial_gains import (
    EVEN,
    LAST_VOWEL,
    MIDDLE_VOWEL,
    ODD,
    OVERTONES,
    RANKS,
    SWELL,
    VOWELS,
)
from voices.timbres.timbre import WHOLE_TURN

Columns = list[tuple[int, float]]
"""Columns of `Smoother`, and their targets."""
LEVELS: tuple[int, ...] = (OVERTONES, EVEN, SWELL)
"""The bound partials that every channel has."""
SWELL_DB = -48.0
"""Further down the swell the spectrum changes no more."""
SWELL_COLUMN = FIRST_LEVEL + LEVELS.index(SWELL)


def control_targets(
    channel: Channel,
    settings: Settings,
    master: Master,
    level_columns: Sequence[int],
    *,
    mono: bool,
    swells: bool,
) -> list[float]:
    """Return the targets in the order of the columns.

    ``swells``: whether the swell changes the spectrum of its sound.
    """
    control = channel.control_channel
    values = control.values
    gain = controller_gain(control.value(7)) * controller_gain(control.value(11)) * master.gain
    shape = control.shape
    gain *= db_to_gain(settings.level.volume_db + shape.volume + shape.effort)
    if mono:
        left, right = pan_gains(64)
    else:
        left, right = pan_gains(min(127.0, max(0.0, control.value(10) + 63 * shape.pan)))
        left, right = left * master.sides[0], right * master.sides[1]
        if values[8] != 64 or values[40]:
            balance = balance_gains(control.value(8))
            left, right = left * balance[0], right * balance[1]
    wheel = control.value(1) / 127 + (values[77] - 64) / 63
    depth = wheel * control.depth_cents(settings.vibrato.depth_cents) if wheel > 0 else 0.0
    overtones, even = _standing_db(control)
    targets = [
        gain * left,
        gain * right,
        pitch_cents(channel, master),
        depth + shape.vibrato_depth,
        shape.stretch,
        shape.detuning - 1.0,
        channel.shape.tilt + (shape.tilt if control is not channel else 0.0),
        overtones + shape.overtones,
        even + shape.even,
        swell_db(control) if swells else 0.0,
    ]
    place = shape.morph if settings.morph else shape.vowel
    targets.extend(_bound_level(shape, each, place) for each in level_columns[len(LEVELS) :])
    pressed = max(channel.pressure, control.pressure)
    if pressed:
        gain, depth, tilt = pressed_by(pressed, settings.pressure.channel, settings)
        targets[0], targets[1] = targets[0] * gain, targets[1] * gain
        targets[VIBRATO_DEPTH] += depth
        targets[TILT] += tilt
    return targets


def _standing_db(channel: Channel) -> tuple[float, float]:
    """Return what CC 71 adds to all partials above the key, and CC 70 to the even harmonics."""
    values, anchors = channel.values, channel.anchors
    overtones = 0.0 if values[71] == 64 and not anchors else channel.stand(71)
    even = 0.0 if values[70] == 64 and not anchors else channel.stand(70)
    return overtones, even


def kept_of(
    channel: Channel, played: Collection[tuple[str, int]]
) -> Iterator[tuple[str, int, float]]:
    """Yield what a sound can keep of a channel's controls: target, which one, and its value.

    ``played``: the targets that are left out, by name and which one.
    """
    shape, (overtones, even) = channel.shape, _standing_db(channel)
    more = {"overtones": overtones, "even": even}
    for target in KEEPABLE:
        found, rest = getattr(shape, target), TARGETS[target].rest
        several = found if isinstance(found, dict) else {0: found + more.get(target, 0.0)}
        for number, each in several.items():
            if each != rest and (target, number) not in played:
                yield target, number, each


def swell_db(channel: Channel) -> float:
    """Return how far down the swell (CC 11) is, in dB."""
    swell = 20.0 * log10(max(controller_gain(channel.value(11)), 1e-9))
    return max(SWELL_DB, swell + channel.shape.effort)


def columns_for(binding: Binding) -> Sequence[int]:
    """Return the entries of the level columns that a binding needs beside `LEVELS`."""
    match binding.target:
        case "partial":
            return (binding.partial,)
        case "odd":
            return (ODD,)
        case "rank":
            return (RANKS - binding.rank,)
        case "vowel" | "morph":
            return VOWELS
    return ()


def moved_columns(
    bindings: Sequence[Binding], channel: Channel, level_columns: Sequence[int], morph: str
) -> Columns | None:
    """Return where some bindings want the columns that are theirs alone; None: they share some.

    ``morph``: the sound to which a knob leads another, if any.
    """
    if channel.manager is not None:
        return None
    shape, found = channel.shape, Columns()
    for each in bindings:
        match each.target:
            case "attack" | "decay" | "sustain" | "release":
                continue  # they count from the next note, or the next phase of one
            case "stretch":
                found.append((STRETCH, shape.stretch))
            case "detuning":
                found.append((DETUNING, shape.detuning - 1.0))
            case _:
                columns = columns_for(each)
                if not columns:
                    return None
                place = shape.morph if morph else shape.vowel
                for column in columns:
                    at = FIRST_LEVEL + level_columns.index(column)
                    found.append((at, _bound_level(shape, column, place)))
    return found


def _bound_level(shape: Shaping, column: int, place: float) -> float:
    """Return where bound controls have brought an entry of the level columns.

    ``place``: where they are between the first vowel and the last, or between two sounds.
    """
    if column == MIDDLE_VOWEL:
        return WHOLE_TURN * (1.0 - abs(2.0 * place - 1.0))
    if column == LAST_VOWEL:
        return WHOLE_TURN * (2.0 * place - 1.0) if place > 0.5 else 0.0
    if column == ODD:
        return shape.odd
    if column > 0:
        return shape.partial.get(column, 0.0)
    return shape.rank.get(RANKS - column, 0.0)


def pressed_by(
    pressure: int, target: PressureTarget, settings: Settings
) -> tuple[float, float, float]:
    """Return what a pressure of 0 to 127 adds: a gain, vibrato in cents, dB per octave."""
    share = pressure / 127
    match target:
        case "level":
            return db_to_gain(settings.pressure.louder_db * share), 0.0, 0.0
        case "vibrato":
            return 1.0, settings.pressure.swing_cents * share, 0.0
        case "brightness":
            return 1.0, 0.0, settings.pressure.brighter_db * share
        case _:
            return 1.0, 0.0, 0.0


def pitch_cents(channel: Channel, master: Master) -> float:
    """Return how far a channel's notes are from where their keys are tuned."""
    control = channel.control_channel
    return bend_cents(channel) + control.tuning_cents + control.shape.tuning + master.cents


def bend_cents(channel: Channel) -> float:
    """Return how far a channel is bent.

    In a zone a bend is divided by 8191, so that both ends are reached (MPE v1.1), elsewhere by
    8192: MIDI 1.0 fixes only the middle and the lower end.
    """
    if channel.manager is None and not channel.members:
        return channel.bend * channel.bend_range_cents / 8192
    bend = channel.bend * channel.bend_range_cents / 8191
    if channel.manager is None:
        return bend
    return bend + channel.manager.bend * channel.manager.bend_range_cents / 8191


def rate_hz(channel: Channel, settings: Settings) -> float:
    """Return the rate of a channel's vibrato: CC 76 halves and doubles it."""
    control = channel.control_channel
    bound_hz = control.shape.vibrato_rate
    hertz = settings.vibrato.rate_hz if bound_hz is None else bound_hz
    return float(hertz * 2.0 ** ((control.values[76] - 64) / 64))
