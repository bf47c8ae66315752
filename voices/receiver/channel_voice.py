"""The channel voice messages, but for the controllers.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 10-19; CA-031 for velocities of 14 bits.
"""

from typing import NamedTuple

from voices.channels.channel import Channel
from voices.receiver.entry import Handler
from voices.receiver.part import Part

NOTE_ON, CONTROL, PROGRAM = 9, 11, 12


class Message(NamedTuple):
    """One kind of message; the words are for the implementation chart."""

    handler: Handler | None
    """What it does; None: see `CONTROLS` and `MODES`."""
    kind: str
    """What the settings call it when it is to be ignored."""
    length: int
    """Bytes, status included."""
    function: str
    remarks: str = ""


def _velocity(channel: Channel, velocity: int) -> float:
    """Return a velocity with the LSB that CC 88 sent before, and forget that."""
    low, channel.values[88] = channel.values[88], 0
    return min(127.0, velocity + low / 128.0)


def _note_on(part: Part, channel: Channel, key: int, velocity: int, at: int) -> None:
    precise = _velocity(channel, velocity) if channel.values[88] else velocity
    if velocity:
        if channel.stale:
            part.refresh(channel, at)
        part.strike(channel, key, precise, at)
    else:
        part.lift(channel, key, at)


def _note_off(part: Part, channel: Channel, key: int, velocity: int, at: int) -> None:
    if channel.values[88]:
        _velocity(channel, velocity)
    part.lift(channel, key, at, velocity)


def _pressure(part: Part, channel: Channel, pressure: int, _: int, at: int) -> None:
    channel.pressure = pressure
    part.set_targets(channel, at)


def _key_pressure(part: Part, channel: Channel, key: int, pressure: int, at: int) -> None:
    if channel.manager is None:
        part.notes.key_pressure(channel, key, pressure, at)


def choose_program(part: Part, channel: Channel, program: int, _: int, at: int) -> None:
    """Choose the sound of a program, from the next note on."""
    if channel.manager is None:
        choice = part.settings.sound
        bank = str(channel.values[0] << 7 | channel.values[32])
        programs = choice.banks.get(bank, choice.programs)
        if program < len(programs) and part.notes.has_sound(programs[program]):
            channel.sound = programs[program]
            part.set_targets(channel, at)


def _bend(part: Part, channel: Channel, low: int, high: int, at: int) -> None:
    channel.bend = (high << 7 | low) - 8192
    part.bend(channel, at)


MESSAGES: dict[int, Message] = {
    8: Message(_note_off, "", 3, "Note off", "velocity: how fast it is released"),
    9: Message(_note_on, "", 3, "Note on", "velocity 1 to 127, 14 bits with CC 88"),
    10: Message(_key_pressure, "key_pressure", 3, "Key pressure", "what the settings say"),
    11: Message(None, "", 3, "Control change", "see there"),
    12: Message(choose_program, "program_change", 2, "Program change", "the settings' list"),
    13: Message(_pressure, "channel_pressure", 2, "Channel pressure", "what the settings say"),
    14: Message(_bend, "pitch_bend", 3, "Pitch bend", "range by RPN 0"),
}
"""By the upper four bits of the status; the words are for the implementation chart."""
SYSTEM: dict[int, tuple[str, bool, str]] = {
    0xF0: ("System exclusive", True, "those of the standards"),
    0xF1: ("Quarter frame", False, ""),
    0xF2: ("Song position", False, ""),
    0xF3: ("Song select", False, ""),
    0xF6: ("Tune request", False, ""),
    0xF8: ("Clock", False, "counts as a sign of life"),
    0xFA: ("Start", False, ""),
    0xFB: ("Continue", False, ""),
    0xFC: ("Stop", False, ""),
    0xFE: ("Active sensing", True, "notes off after 330 ms of silence"),
    0xFF: ("System reset", True, "as at power-on"),
}
"""Function, recognised, remarks of the system messages: words for the implementation chart."""
