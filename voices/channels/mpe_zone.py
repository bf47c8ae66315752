"""Zones: channels played together, one note each, with a manager whose controls count for all.

The lower zone's manager is channel 1, its members 2 upwards; the upper zone's is channel 16, its
members 15 downwards. In a member only notes, bend, pressure and brightness (CC 74) count, and they
add to the manager's.

Source: MIDI Polyphonic Expression, M1-100-UM v1.1, from a digest.
"""

from collections.abc import Iterable, Sequence

from voices.channels.channel import Channel

LOWER, UPPER = 0, 15
MANAGER_SEMITONES, MEMBER_SEMITONES = 2, 48


def zone(channels: Sequence[Channel], manager: Channel, count: int) -> list[Channel]:
    """Return the ``count`` channels beside a manager, the nearest first."""
    step = 1 if manager.number == LOWER else -1
    return [channels[manager.number + step * place] for place in range(1, count + 1)]


def make_zone(manager: Channel, members: list[Channel]) -> None:
    """Make channels the members of a manager's zone, out of any other; without members it ends."""
    end_zones([manager, *members])
    manager.members = members
    for each in members:
        each.join(manager)
        each.parameters[0] = [MEMBER_SEMITONES, 0]
    if members:
        manager.parameters[0] = [MANAGER_SEMITONES, 0]


def end_zones(channels: Iterable[Channel]) -> None:
    """Take channels out of their zones, and end those that they manage."""
    for channel in channels:
        if channel.manager is not None:
            channel.manager.members = [m for m in channel.manager.members if m is not channel]
            channel.join(None)
        for member in channel.members:
            member.join(None)
        channel.members = []
