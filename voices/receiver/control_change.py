"""The controllers 0 to 119: what each one does.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 11-17; RP-021 for 70 to 79; GM2 v1.2a section 3.3;
CA-031 for 88. A binding in the settings overrides all of this.
"""

from voices.channels.channel import Channel
from voices.receiver.entry import Entry, Handler
from voices.receiver.part import Part
from voices.receiver.rpn import choose, enter, step

ON = 64
"""Switches are off below and on from here, whatever sends them (p. 12)."""


def _store(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Remember a value that counts later."""
    channel.set(number, value)


def _move(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Store a value that moves the channel's notes."""
    channel.set(number, value)
    part.set_targets(channel, at)


def _moved(channel: Channel, pedal: str, number: int, value: int) -> bool:
    """Store a switch's value; return whether its pedal has moved. A member's are its manager's."""
    was_down, down = getattr(channel.own_pedals, pedal), value >= ON
    channel.values[number] = value
    if channel.manager is not None or down == was_down:
        return False
    setattr(channel.own_pedals, pedal, down)
    return True


def _hold(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    if _moved(channel, "hold", number, value):
        notes = part.notes
        (notes.hold_down if value >= ON else notes.pedal_up)(channel, at)


def _sostenuto(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    if not _moved(channel, "sostenuto", number, value):
        return
    if value >= ON:
        part.notes.sostenuto_down(channel)
    else:
        part.notes.sostenuto_up(channel)
        part.notes.pedal_up(channel, at)


def _soft(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    channel.values[number] = value
    channel.own_pedals.soft = value >= ON


def _legato(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    channel.values[number] = value
    channel.own_pedals.legato = value >= ON


def _freeze(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    if _moved(channel, "freeze", number, value):
        notes = part.notes
        (notes.freeze_down if value >= ON else notes.freeze_up)(channel, at)


def _times(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Stretch or shorten what notes about to enter a phase of their envelope take for it."""
    channel.values[number] = value
    channel.stand(number)


def _brightness(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    channel.values[number] = value
    channel.stand(number)
    part.set_targets(channel, at)


def _source(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Name the key from which the next note glides."""
    channel.values[number] = value
    channel.glide_from = value


def _shake(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Turn the tremulant on, deeper, or off."""
    channel.values[number] = value
    part.shared.move_tremulant(value / 127, at)


_LSB = "LSB of "
_PAIRS: tuple[tuple[int, Handler, str, str], ...] = (
    (0, _store, "Bank select", "counts with the next program change"),
    (1, _move, "Modulation", "vibrato"),
    (5, _store, "Portamento time", ""),
    (6, enter, "Data entry", "sets the registered parameter chosen"),
    (7, _move, "Channel volume", "40 log(v/127) dB"),
    (8, _move, "Balance", ""),
    (10, _move, "Pan", "RP-036"),
    (11, _move, "Expression", "40 log(v/127) dB"),
)
CONTROLS: dict[int, Entry] = {
    **{number: Entry(act, *words) for number, act, *words in _PAIRS},
    **{n + 32: Entry(act, name, _LSB + str(n)) for n, act, name, _ in _PAIRS},
    64: Entry(_hold, "Hold 1, sustain", "catches notes in release above their sustain level"),
    65: Entry(_store, "Portamento on/off", ""),
    66: Entry(_sostenuto, "Sostenuto", ""),
    67: Entry(_soft, "Soft", "3 dB softer and duller, from the next note on"),
    68: Entry(_legato, "Legato footswitch", ""),
    69: Entry(_freeze, "Hold 2", "keeps the level that each note has"),
    70: Entry(_move, "Sound variation", "level of the even harmonics"),
    71: Entry(_move, "Timbre/harmonic intensity", "level of all partials above the key"),
    72: Entry(_times, "Release time", "1/16 to 16 times"),
    73: Entry(_times, "Attack time", "1/16 to 16 times"),
    74: Entry(_brightness, "Brightness", "-9 to 3 dB per octave"),
    75: Entry(_times, "Decay time", "1/16 to 16 times"),
    76: Entry(_move, "Vibrato rate", "1/2 to 2 times"),
    77: Entry(_move, "Vibrato depth", "added to the modulation"),
    78: Entry(_store, "Vibrato delay", "up to 2 s, from 64 on"),
    84: Entry(_source, "Portamento control", ""),
    88: Entry(_store, "High resolution velocity prefix", "CA-031"),
    91: Entry(_store, "Effects 1 depth (reverb)", "the room, from the next note on; 40: as set"),
    92: Entry(_shake, "Effects 2 depth (tremolo)", "the tremulant, of all channels"),
    93: Entry(_store, "Effects 3 depth (chorus)", "stored; there is none"),
    96: Entry(step, "Data increment", "RP-018"),
    97: Entry(step, "Data decrement", "RP-018"),
    98: Entry(choose, "Non-registered parameter, low", "none is known"),
    99: Entry(choose, "Non-registered parameter, high", "none is known"),
    100: Entry(choose, "Registered parameter, low", "0 to 6"),
    101: Entry(choose, "Registered parameter, high", ""),
}
"""By number; the words are for the implementation chart."""
