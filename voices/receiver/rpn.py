"""The registered parameters, and how data entry sets them.

Source: MIDI 1.0 Detailed Specification 4.2.1, p. 17-18; RP-018 for steps; CA-026 for the
modulation depth; MPE v1.1 for its configuration. No non-registered parameter is known here:
choosing one only takes data entry away from the registered ones, as the specification has it for
receivers whose reception of them is off.
"""

from voices.channels.channel import Channel
from voices.channels.mpe_zone import LOWER, UPPER, make_zone, zone
from voices.receiver.entry import Entry
from voices.receiver.part import Part

BEND_RANGE, FINE, COARSE, TUNING_PROGRAM, TUNING_BANK, DEPTH, ZONE = range(7)
MOST_SEMITONES = 96
"""Of a bend, as in MPE."""


def choose(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Choose a parameter by MSB or LSB of its number (CC 98 to 101)."""
    channel.values[number] = value
    channel.registered = number >= 100


def enter(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Take MSB or LSB of data entry (CC 6 or 38); an MSB sets the LSB to 0."""
    channel.set(number, value)
    chosen = channel.parameter
    if chosen is None:
        return
    pair = [value, 0] if number == 6 else [channel.parameters[chosen][0], value]
    _put(part, channel, chosen, pair, at)


def step(part: Part, channel: Channel, number: int, value: int, at: int) -> None:
    """Count the chosen parameter up or down (CC 96, 97); the value means nothing.

    RP-018: bend range and fine tuning by their LSB (bend range counts cents, a hundred to the
    semitone), the others by their MSB. The modulation depth, which is younger, by its LSB. The
    configuration of a zone is not counted.
    """
    chosen = channel.parameter
    if chosen is None or chosen == ZONE:
        return
    high, low = channel.parameters[chosen]
    if chosen in (BEND_RANGE, FINE, DEPTH):
        if chosen == DEPTH and not channel.depth_is_set:
            high, low = divmod(round(part.settings.vibrato.depth_cents * 1.28), 128)
        base = 100 if chosen == BEND_RANGE else 128
        total = high * base + min(low, base - 1) + (1 if number == 96 else -1)
        high, low = divmod(max(0, min(127 * base + base - 1, total)), base)
    else:
        high = max(0, min(127, high + (1 if number == 96 else -1)))
    _put(part, channel, chosen, [high, low], at)


def _put(part: Part, channel: Channel, chosen: int, pair: list[int], at: int) -> None:
    """Set a parameter to its MSB and LSB."""
    if chosen == ZONE:
        _configure_zone(part, channel, pair[0], at)
        return
    if chosen == BEND_RANGE and pair[0] >= MOST_SEMITONES:
        pair = [MOST_SEMITONES, 0]
    channels = [channel]
    if chosen == BEND_RANGE and channel.manager is not None:
        channels = channel.manager.members  # one member's range is that of all (MPE)
    for each in channels:
        each.parameters[chosen] = list(pair)
    if chosen == DEPTH:
        channel.depth_is_set = True
    if chosen in (TUNING_PROGRAM, TUNING_BANK):
        program, bank = channel.parameters[TUNING_PROGRAM][0], channel.parameters[TUNING_BANK][0]
        found = part.tunings.find(bank, program)
        if found is not None and chosen == TUNING_PROGRAM:
            channel.tuning = found
    for each in channels:
        part.set_targets(each, at)


def _configure_zone(part: Part, manager: Channel, count: int, at: int) -> None:
    """Make ``count`` channels the members of a manager's zone; 0 ends it.

    A later zone takes channels from an earlier one. On other channels than 1 and 16, for more than
    15 members, and with a basic channel, which hears but one, it is ignored.
    """
    numbers = (LOWER, UPPER)
    if manager.number not in numbers or count > 15 or part.settings.controller.basic_channel:
        return
    members = zone(part.routing(manager.controller).channels, manager, count)
    affected = dict.fromkeys([manager, *manager.members, *members])
    for each in members:  # one of them may have been a manager itself
        affected |= dict.fromkeys(each.members)
    for each in affected:
        part.notes.keys_up(each, at)
    make_zone(manager, members)
    chosen = manager.values[98:102]  # what is being configured stays chosen
    for each in affected:
        each.reset_controllers()
    manager.values[98:102] = chosen
    for each in affected:
        part.notes.sostenuto_up(each)
        part.notes.freeze_up(each, at)
        part.set_targets(each, at)


PARAMETERS: dict[int, Entry] = {
    BEND_RANGE: Entry(enter, "Pitch bend sensitivity", "up to 96 semitones, and cents"),
    FINE: Entry(enter, "Channel fine tuning", ""),
    COARSE: Entry(enter, "Channel coarse tuning", ""),
    TUNING_PROGRAM: Entry(enter, "Tuning program select", "notes struck from then on"),
    TUNING_BANK: Entry(enter, "Tuning bank select", "with the next tuning program"),
    DEPTH: Entry(enter, "Modulation depth range", "default: the settings'"),
    ZONE: Entry(enter, "MPE configuration", "on channels 1 and 16"),
}
"""By number; the words are for the implementation chart."""
