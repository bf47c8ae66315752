"""MPE: channels played together, one note each.

Source: MIDI Polyphonic Expression, M1-100-UM v1.1 (14 Apr 2022), from a digest. Its printed example
of a quarter tone, E2 2B 41, decodes to 1.002 semitones; E2 55 40 is the right one and used here.
"""

import pytest

from tests.support.receiver_player import Player
from voices.modulation.smoother import TILT

LOWER = ("B0 65 00", "B0 64 06", "B0 06 0F")
SEVEN_AND_SEVEN = (
    *("B0 65 00", "B0 64 06", "B0 06 07"),
    *("BF 65 00", "BF 64 06", "BF 06 07"),
)


def managers(player: Player) -> list[int | None]:
    """Return for each channel the number of its manager, 0 to 15."""
    channels = [player.instrument.channel(number) for number in range(16)]
    return [channel.manager.number if channel.manager else None for channel in channels]


def test_a_lower_zone_of_fifteen() -> None:
    assert managers(Player().send(*LOWER)) == [None, *[0] * 15]


def test_two_zones_of_seven() -> None:
    player = Player().send(*SEVEN_AND_SEVEN)
    assert managers(player) == [None, *[0] * 7, *[15] * 7, None]


def test_a_later_zone_takes_channels_and_an_empty_one_is_off() -> None:
    player = Player().send(*SEVEN_AND_SEVEN, "BF 06 0A")
    assert managers(player) == [None, *[0] * 4, *[15] * 10, None]
    player.send("B0 06 0F")
    assert managers(player) == [None, *[0] * 15]
    player.send("B0 06 00")
    assert managers(player) == [None] * 16


@pytest.mark.parametrize("channel", range(1, 15))
def test_no_other_channel_can_have_a_zone(channel: int) -> None:
    player = Player()
    player.control(101, 0, channel).control(100, 6, channel).control(6, 3, channel)
    assert managers(player) == [None] * 16


# An MCM sets 2 semitones on the manager, 48 on every member.
def test_a_zone_sets_the_bend_ranges() -> None:
    player = Player().send(*LOWER)
    assert player.instrument.channel(0).bend_range_cents == 200.0
    assert {player.instrument.channel(n).bend_range_cents for n in range(1, 16)} == {4800.0}
    player.send("B4 65 00", "B4 64 00", "B4 06 18")
    assert {player.instrument.channel(n).bend_range_cents for n in range(1, 16)} == {2400.0}


# Member 48 semitones at 9387: 7.0028; manager 2 at 16383: 2; the sum counts. E2 55 40: a quarter
# tone.
@pytest.mark.parametrize(
    ("messages", "semitones"),
    [
        (("E2 2B 49",), 7.0028),
        (("E0 7F 7F",), 2.0),
        (("E2 2B 49", "E0 7F 7F"), 9.0028),
        (("E2 55 40",), 0.4981),
        (("E3 2B 49",), 0.0),
    ],
)
def test_the_bends_of_member_and_manager_add(messages: tuple[str, ...], semitones: float) -> None:
    player = Player().send(*LOWER, *messages, "92 45 7F")
    assert player.cents(69 + semitones) == pytest.approx(0.0, abs=0.1)


def test_a_bend_before_the_note_counts_and_one_after_moves_it() -> None:
    player = Player().send(*LOWER, "92 45 7F").wait(0.1).send("E2 2B 49")
    assert player.cents(76.0028) == pytest.approx(0.0, abs=0.1)


def test_brightness_and_pressure_are_each_notes_own() -> None:
    player = Player(pressure={"channel": "level"}).send(*LOWER, "91 45 7F", "92 51 7F")
    before = player.level(69), player.level(81)
    player.send("D1 7F")
    assert player.level(69) == pytest.approx(before[0] + 6.0, abs=0.05)
    assert player.level(81) == pytest.approx(before[1], abs=0.05)
    player.send("D1 00", "D0 7F")
    assert player.level(69) == pytest.approx(before[0] + 6.0, abs=0.05)
    assert player.level(81) == pytest.approx(before[1] + 6.0, abs=0.05)
    player.send("B1 4A 7F")
    tilts = [player.instrument.channel(number).targets[TILT] for number in (1, 2)]
    assert tilts[0] > tilts[1] == 0.0


# After its Note Off a note follows only the manager's bend.
def test_a_released_note_follows_only_the_manager() -> None:
    player = Player().control(72, 127).send(*LOWER, "B0 48 7F", "E1 2B 49", "91 45 7F").wait(0.2)
    player.send("81 45 40").wait(0.05).send("E1 00 40")
    assert player.cents(76.0028, seconds=0.3) == pytest.approx(0.0, abs=0.3)
    player.send("E0 7F 7F")
    assert player.cents(78.0028, seconds=0.3) == pytest.approx(0.0, abs=0.3)


# Pedals and controls of the manager act on the zone; on members they are ignored.
def test_the_managers_pedal_holds_the_zone_and_a_members_holds_nothing() -> None:
    player = Player().send(*LOWER, "91 45 7F", "B1 40 7F", "81 45 40").wait(0.4)
    assert player.silent()
    player.send("B0 40 7F", "91 45 7F", "81 45 40").wait(0.4)
    assert player.level() > -60
    player.send("B0 40 00").wait(0.4)
    assert player.silent()


def test_the_managers_volume_is_that_of_the_zone() -> None:
    player = Player().send(*LOWER, "91 45 7F", "B0 07 7F")
    full = player.level()
    player.send("B1 07 10")
    assert player.level() == pytest.approx(full, abs=0.01)
    player.send("B0 07 40")
    assert player.level() - full == pytest.approx(-11.905, abs=0.01)


def test_a_program_change_or_key_pressure_on_a_member_is_ignored() -> None:
    player = Player(sound={"name": "x", "programs": ["other"]}, pressure={"key": "level"})
    player.send(*LOWER, "91 45 7F")
    before = player.level()
    player.send("C1 00", "A1 45 7F")
    assert player.level() == pytest.approx(before, abs=0.01)
    assert player.instrument.channel(1).sound == ""
    player.send("C0 00", "81 45 40", "91 39 7F")
    assert player.level(69) > -60  # the second partial of the zone's sound


# A change of a zone stops its notes and resets its controls.
def test_a_change_of_zone_ends_its_notes() -> None:
    player = Player().send(*LOWER, "91 45 7F", "E1 00 00", "B0 06 05")
    assert player.accounts == {"released": 1}
    assert player.instrument.channel(1).bend == 0


def test_with_a_basic_channel_there_are_no_zones() -> None:
    player = Player(controller={"mode": 3, "basic_channel": 1}).send(*LOWER)
    assert managers(player) == [None] * 16


def test_a_system_reset_ends_the_zones() -> None:
    assert managers(Player().send(*LOWER, "FF")) == [None] * 16
