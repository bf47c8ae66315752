"""Registered parameters, bends, and Reset All Controllers.

Sources: MIDI is the MIDI 1.0 Detailed Specification 4.2.1 (printed pages).
"""

import pytest

from tests.support.receiver_player import Player
from voices.channels.channel import Channel

CHOOSE_RANGE = ("B0 65 00", "B0 64 00")
NULL = ("B0 65 7F", "B0 64 7F")


def parameter(player: Player, number: int, high: int, low: int | None = None) -> Player:
    """Set a registered parameter as MIDI p. 17-18 says."""
    player.control(101, 0).control(100, number).control(6, high)
    return player if low is None else player.control(38, low)


# MIDI p. 17: bend of 12 semitones. The order of the halves of the number is free.
@pytest.mark.parametrize("number", [CHOOSE_RANGE, CHOOSE_RANGE[::-1]])
def test_the_sequence_for_an_octave_of_bend(number: tuple[str, str]) -> None:
    player = Player().send(*number, "B0 06 0C", "B0 26 00", *NULL)
    player.send("90 45 7F", "E0 00 00")
    assert player.cents(57) == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(
    ("bytes_", "cents"),
    [
        *(("00 00", -200.0), ("00 20", -100.0), ("7F 3F", -0.0244), ("00 40", 0.0)),
        *(("01 40", 0.0244), ("00 60", 100.0), ("7F 7F", 199.976)),
    ],
)
def test_a_bend_has_its_least_significant_byte_first(bytes_: str, cents: float) -> None:
    """MIDI table II; 0 is full down, 8192 none."""
    player = Player().send("90 45 7F", f"E0 {bytes_}")
    near = 69 + cents / 100
    assert player.cents(near) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("semitones", [0, 1, 24, 48, 96])
def test_bends_reach_up_to_96_semitones(semitones: int) -> None:
    player = parameter(Player(), 0, semitones, 0).send("90 7F 7F", "E0 00 00")
    assert player.cents(127 - semitones, seconds=1.0) == pytest.approx(0.0, abs=0.06)


def test_a_range_beyond_96_semitones_is_taken_as_96() -> None:
    player = parameter(Player(), 0, 127, 127)
    assert player.instrument.channel(0).bend_range_cents == 9600.0


# CA-025's law for channels, MIDI p. 18: 100/8192·(v - 8192) cents; coarse in semitones, its LSB
# counts nothing.
@pytest.mark.parametrize(
    ("number", "high", "low", "cents"),
    [
        *((1, 0, 0, -100.0), (1, 127, 127, 99.988), (1, 80, 0, 25.0), (1, 64, 64, 0.781)),
        *((2, 63, 0, -100.0), (2, 76, 99, 1200.0), (2, 52, 0, -1200.0)),
    ],
)
def test_fine_and_coarse_tuning(number: int, high: int, low: int, cents: float) -> None:
    player = parameter(Player(), number, high, low).send("90 45 7F")
    assert player.cents(69 + cents / 100) == pytest.approx(0.0, abs=0.05)


def test_tuning_moves_a_sounding_note() -> None:
    player = parameter(Player().send("90 45 7F").wait(0.1), 2, 65)
    assert player.cents(70) == pytest.approx(0.0, abs=0.05)


# CA-026: semitones and 100/128 cents; GM2's default is 00 40, 50 cents, here the settings'.
@pytest.mark.parametrize(("high", "low", "cents"), [(0, 64, 50.0), (0, 8, 6.25), (1, 0, 100.0)])
def test_the_depth_of_modulation(high: int, low: int, cents: float) -> None:
    player = parameter(Player().control(1, 127), 5, high, low)
    depth = player.instrument.channel(0).targets[3]
    assert depth == pytest.approx(cents)


def test_without_a_parameter_the_depth_is_that_of_the_settings() -> None:
    player = Player(vibrato={"depth_cents": 80.0}).control(1, 127)
    assert player.instrument.channel(0).targets[3] == pytest.approx(80.0)


# MIDI p. 12: a new coarse value sets the fine one to 0, of data entry too.
def test_coarse_data_set_their_lsb_to_nothing() -> None:
    player = parameter(Player(), 0, 2, 50).control(6, 3)
    assert player.instrument.channel(0).bend_range_cents == 300.0


# RP-018: steps by cents for the bend range (a hundred carry), by the LSB for fine tuning, by
# the coarse one for the others; the value counts nothing.
def test_steps_up_and_down() -> None:
    player = parameter(Player(), 0, 2, 99)
    channel = player.instrument.channel(0)
    player.control(96, 0)
    assert channel.parameters[0] == [3, 0]
    player.control(97, 127)
    assert channel.parameters[0] == [2, 99]
    parameter(player, 1, 64, 127).control(96, 5)
    assert channel.parameters[1] == [65, 0]
    player.control(97, 0)
    assert channel.parameters[1] == [64, 127]
    parameter(player, 2, 64, 0).control(97, 0).control(97, 0)
    assert channel.parameters[2] == [62, 0]


def test_steps_stop_at_the_ends() -> None:
    player = parameter(Player(), 0, 0, 0).control(97, 0)
    channel = player.instrument.channel(0)
    assert channel.bend_range_cents == 0.0
    parameter(player, 2, 127).control(96, 0)
    assert channel.parameters[2][0] == 127


def untouched(player: Player) -> bool:
    return player.instrument.channel(0).parameters == Channel(0, 0).parameters


# MIDI p. 17-18: null takes data entry away until a valid number comes; at power-up it is null.
def test_data_without_a_parameter_sets_nothing() -> None:
    player = Player().control(6, 12).control(38, 3).control(96, 0).control(97, 0)
    assert untouched(player)
    player.send(*CHOOSE_RANGE, *NULL).control(6, 12).control(96, 0)
    assert untouched(player)
    player.send("B0 64 00").control(6, 12)  # one half of a number only
    assert untouched(player)
    player.send("B0 65 00").control(6, 12)
    assert player.instrument.channel(0).bend_range_cents == 1200.0


# MIDI p. 17: reception of non-registered parameters is off at power-up; their data are not ours.
def test_data_for_a_non_registered_parameter_do_not_reach_a_registered_one() -> None:
    player = Player().send(*CHOOSE_RANGE).control(99, 0).control(98, 0).control(6, 12)
    assert untouched(player)
    player.control(101, 0).control(6, 12)
    assert player.instrument.channel(0).bend_range_cents == 1200.0


def test_an_unknown_parameter_takes_its_data_with_it() -> None:
    player = parameter(Player(), 33, 12, 3)
    assert untouched(player)
    player.control(101, 5).control(100, 0).control(6, 12)
    assert untouched(player)


# --- RP-015 -----------------------------------------------------------------------------------

# Back to these ...
RESET = {
    **{1: 0, 11: 127, 64: 0, 65: 0, 66: 0, 67: 0, 98: 127, 99: 127, 100: 127, 101: 127},
}
# ... and these not: bank, volume, balance, pan, sound controllers, sends; GM2 3.5.2 adds the
# portamento time. RP-015 also nulls the non-registered number, which GM2 leaves out: followed,
# because a forgotten number does harm and a nulled one none.
STAYS = (0, 5, 7, 8, 10, 32, *range(70, 79), 91, 93)


def odd_state(player: Player) -> Channel:
    for number in (*RESET, *STAYS):
        if number not in (98, 99, 100, 101):
            player.control(number, 77)
    parameter(player, 0, 7, 3)
    parameter(player, 1, 70, 4)
    player.control(99, 3).control(98, 4)
    player.send("E0 11 22", "D0 33", "C0 00")
    return player.instrument.channel(0)


def test_reset_all_controllers_as_a_difference_of_states() -> None:
    player = Player(sound={"name": "x", "programs": ["other"]})
    channel = odd_state(player)
    player.control(121, 0)
    assert {number: channel.values[number] for number in RESET} == RESET
    assert {number: channel.values[number] for number in STAYS} == dict.fromkeys(STAYS, 77)
    assert channel.parameters[0] == [7, 3]
    assert channel.parameters[1] == [70, 4]
    assert channel.sound == "other"
    assert (channel.bend, channel.pressure, channel.parameter) == (0, 0, None)


def test_reset_releases_what_the_pedals_held_and_keeps_the_keys() -> None:
    player = Player().send("90 45 7F", "90 51 7F").control(66, 127).control(64, 127)
    player.send("80 45 40").control(121, 0).wait(0.4)
    assert player.level(69) < -100
    assert player.level(81) > -60


def test_reset_takes_the_pressure_off_every_key() -> None:
    player = Player(pressure={"key": "level"}).send("90 45 7F")
    before = player.level()
    player.send("A0 45 7F").control(121, 0)
    assert player.level() == pytest.approx(before, abs=0.01)


def test_reset_is_for_its_own_channel() -> None:
    player = Player().send("B1 07 30", "B1 01 40").control(121, 0)
    assert player.instrument.channel(1).values[1] == 0x40
