"""The channel mode messages (controllers 120 to 127), and which channel hears which.

By default each of the sixteen channels is a receiver of its own in mode 3 or 4, as in General MIDI
2 (section 2.5): every key plays whatever channel it comes on, and mode messages act on theirs. Omni
On is a mode that such a receiver lacks, so 125 only lets all notes go, and so does 124; 126 asks
for one channel or is ignored. With a basic channel in the settings there is one receiver, by the
rules of MIDI 1.0 (p. 7, 8, 21-25): it has all four modes, it takes mode messages on its basic
channel alone, and it ignores All Notes Off and Reset All Controllers while Omni is On.

Mode 1 is Omni On, Poly; 2 Omni On, Mono; 3 Omni Off, Poly; 4 Omni Off, Mono.
"""

from typing import TYPE_CHECKING

from voices.channels.channel import Channel
from voices.receiver.entry import Entry

if TYPE_CHECKING:
    from voices.receiver.receiver import Receiver


class Routing:
    """The modes of one controller's channels."""

    def __init__(self, channels: list[Channel]) -> None:
        self.channels = channels
        self.route: list[Channel | None] = list(channels)
        """Which channel takes what comes on each; None: nobody listens."""
        self._basic = 0
        self._span = 16
        self._listened: list[int] = []

    def power_up(self, mode: int, basic: int, listened: list[int]) -> None:
        """Take the mode of the settings; ``basic`` and ``listened`` count from 1, 0 is none."""
        self._basic, self._listened = basic, listened
        self._span = 16
        self.put(mode)

    def put(self, mode: int, span: int | None = None) -> None:
        """Change the mode; in mode 4 ``span`` channels are heard."""
        omni, mono = mode <= 2, mode in (2, 4)
        self._span = self._span if span is None else span
        for channel in self.channels:
            channel.mono, channel.omni = mono, omni and self._basic > 0
        self._find_routes(mode)

    def _find_routes(self, mode: int) -> None:
        basic = self._basic - 1
        for number, channel in enumerate(self.channels):
            heard: Channel | None = channel
            if basic >= 0:
                if mode <= 2:
                    heard = self.channels[basic]
                elif not basic <= number < basic + (self._span if mode == 4 else 1):
                    heard = None
            if self._listened and number + 1 not in self._listened:
                heard = None
            self.route[number] = heard


def _sound_off(receiver: "Receiver", channel: Channel, number: int, value: int, at: int) -> None:
    receiver.notes.sound_off(channel, at)


def _reset(receiver: "Receiver", channel: Channel, number: int, value: int, at: int) -> None:
    if channel.omni:
        return
    channel.reset_controllers()
    if channel.manager is None:
        receiver.notes.sostenuto_up(channel)
        receiver.notes.freeze_up(channel, at)
    receiver.notes.clear_key_pressure(channel, at)
    receiver.aim(channel, at)


def _notes_off(receiver: "Receiver", channel: Channel, number: int, value: int, at: int) -> None:
    if not channel.omni:
        receiver.notes.keys_up(channel, at)


def _omni_poly(receiver: "Receiver", channel: Channel, number: int, value: int, at: int) -> None:
    """Take Omni Off, Omni On, Mono On or Poly On."""
    basic = receiver.settings.controller.basic_channel
    if not basic:
        if number == 126 and value != 1:
            return
        receiver.notes.keys_up(channel, at)
        if number >= 126:
            channel.mono = number == 126
        return
    modes = receiver.modes(channel)
    for each in modes.channels:
        receiver.notes.keys_up(each, at)
    mono, omni, span = channel.mono, channel.omni, None
    if number == 126:
        mono, span = True, value or 16
    elif number == 127:
        mono = False
    else:
        omni = number == 125
    modes.put((1 if omni else 3) + mono, span)


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
