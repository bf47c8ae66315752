"""The channel mode messages: controllers 120 to 127.

By default each of the sixteen channels is a receiver of its own in mode 3 or 4, as in General MIDI
2 (section 2.5): every key plays whatever channel it comes on, and mode messages act on theirs. Omni
On is a mode that such a receiver lacks, so 125 only releases all notes, and so does 124; 126 asks
for one channel or is ignored. With a basic channel in the settings there is one receiver, by the
rules of MIDI 1.0 (p. 7, 8, 21-25): it has all four modes, it takes mode messages on its basic
channel alone, and it ignores All Notes Off and Reset All Controllers while Omni is On.
"""

from voices.channels.channel import Channel
from voices.receiver.entry import Entry
from voices.receiver.part import Part


def _sound_off(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    part.notes.sound_off(channel, at)


def _reset(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    if channel.omni:
        return
    channel.reset_controllers()
    if channel.manager is None:
        part.notes.sostenuto_up(channel)
        part.notes.freeze_up(channel, at)
    part.notes.clear_key_pressure(channel, at)
    part.set_targets(channel, at)


def _notes_off(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    if not channel.omni:
        part.notes.keys_up(channel, at)


def _omni_poly(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Take Omni Off, Omni On, Mono On or Poly On."""
    basic = part.settings.controller.basic_channel
    if not basic:
        if number == 126 and value != 1:
            return
        part.notes.keys_up(channel, at)
        if number >= 126:
            channel.mono = number == 126
        return
    routing = part.routing(channel.controller)
    for each in routing.channels:
        part.notes.keys_up(each, at)
    mono, omni, span = channel.mono, channel.omni, None
    if number == 126:
        mono, span = True, value or 16
    elif number == 127:
        mono = False
    else:
        omni = number == 125
    routing.set_mode((1 if omni else 3) + mono, span)


MODES: dict[int, Entry] = {
    120: Entry(_sound_off, "All sound off", "faded in 4 ms"),
    121: Entry(_reset, "Reset all controllers", "RP-015"),
    122: Entry(None, "Local on/off", "there are no keys of its own"),
    123: Entry(_notes_off, "All notes off", "pedals hold on; ignored in modes 1 and 2"),
    124: Entry(_omni_poly, "Omni off", "all notes off; the mode with a basic channel"),
    125: Entry(_omni_poly, "Omni on", "all notes off; the mode with a basic channel"),
    126: Entry(_omni_poly, "Mono on", "one channel; more with a basic channel"),
    127: Entry(_omni_poly, "Poly on", ""),
}
"""By number; the words are for the implementation chart."""
