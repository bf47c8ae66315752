"""Routing: which channel of a controller hears what comes on each, by the mode they are in.

Mode 1 is Omni On, Poly; 2 Omni On, Mono; 3 Omni Off, Poly; 4 Omni Off, Mono. Omni On exists only
with a basic channel (see `voices.receiver.channel_mode`).

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 7, 8, 21-25.
"""

from voices.channels.channel import Channel


class Routing:
    """The channels of one controller and their modes."""

    def __init__(self, channels: list[Channel]) -> None:
        self.channels = channels
        self.heard_by: list[Channel | None] = list(channels)
        """Which channel hears what comes on each; None: nobody does."""
        self._basic = 0
        self._span = 16
        self._listened: list[int] = []

    def power_up(self, mode: int, basic: int, listened: list[int]) -> None:
        """Take the mode of the settings; ``basic`` and ``listened`` count from 1, 0 is none."""
        self._basic, self._listened = basic, listened
        self._span = 16
        self.set_mode(mode)

    def set_mode(self, mode: int, span: int | None = None) -> None:
        """Change the mode; in mode 4 ``span`` channels are heard."""
        omni, mono = mode <= 2, mode in (2, 4)
        self._span = self._span if span is None else span
        for channel in self.channels:
            channel.mono, channel.omni = mono, omni and self._basic > 0
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
            self.heard_by[number] = heard
