"""Zones: channels played together, one note each, with a manager that speaks for all.

The lower zone's manager is channel 1, its members 2 upwards; the upper zone's is channel 16, its
members 15 downwards. A later zone takes channels from an earlier one. In a member only notes, bend,
pressure and brightness (CC 74) count, and they add to the manager's.

Source: MIDI Polyphonic Expression, M1-100-UM v1.1, from a digest.
"""

from typing import TYPE_CHECKING

from voices.channels.channel import Channel

if TYPE_CHECKING:
    from voices.receiver.receiver import Receiver

LOWER, UPPER = 0, 15
MANAGER_SEMITONES, MEMBER_SEMITONES = 2, 48


class MpeZones:
    """The zones of every controller."""

    def configure(self, receiver: "Receiver", manager: Channel, count: int, at: int) -> None:
        """Make ``count`` channels the members of a manager's zone; 0 ends it.

        It is ignored on any other channel, for more than 15, and with a basic channel, which hears
        but one.
        """
        number = manager.number
        if number not in (LOWER, UPPER) or count > 15 or receiver.settings.controller.basic_channel:
            return
        channels = receiver.modes(manager).channels
        step = 1 if number == LOWER else -1
        members = [channels[number + step * place] for place in range(1, count + 1)]
        affected = dict.fromkeys([manager, *manager.members, *members])
        for each in members:  # one of them may have spoken for a zone itself
            affected |= dict.fromkeys(each.members)
        for each in affected:
            receiver.notes.keys_up(each, at)
        for each in [manager, *members]:
            self._leave(each)
        manager.members = members
        for each in members:
            each.join(manager)
            each.parameters[0] = [MEMBER_SEMITONES, 0]
        if members:
            manager.parameters[0] = [MANAGER_SEMITONES, 0]
        chosen = manager.values[98:102]  # what is being configured stays chosen
        for each in affected:
            each.reset_controllers()
        manager.values[98:102] = chosen
        for each in affected:
            receiver.notes.sostenuto_up(each)
            receiver.notes.freeze_up(each, at)
            receiver.aim(each, at)

    def _leave(self, channel: Channel) -> None:
        """Take a channel out of its zone, or end the one it speaks for."""
        if channel.manager is not None:
            channel.manager.members = [m for m in channel.manager.members if m is not channel]
            channel.join(None)
        for member in channel.members:
            member.join(None)
        channel.members = []

    def forget(self, channels: list[Channel]) -> None:
        """End the zones of a controller."""
        for channel in channels:
            self._leave(channel)
