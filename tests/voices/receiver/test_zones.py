"""Zones: who plays which key, how high, how loud and where; and that nothing is stranded."""

from collections.abc import Sequence
from random import Random
from typing import Any

import numpy as np
import pytest

from config.settings import Settings
from config.zones import Zone
from tests.support.measure import db, partial_level, peak
from tests.support.playing import (
    RATE,
    Event,
    Recording,
    difference_of_blocks,
    off,
    on,
    perform,
    play,
    settings_for,
)
from tests.support.random_music import Marathon
from tests.support.random_play import SOUNDS, random_play
from tests.support.receiver_player import Player, key_hz
from voices.instrument import Instrument

SPLIT = [{"keys": [0, 59], "octave": 1}, {"keys": [60, 127], "octave": -1}]
OVERLAPPING = [
    {"keys": [36, 72], "sound": "flat64", "pan": -0.7, "level_db": -6.0},
    {"keys": [60, 96], "octave": -2, "pan": 0.7},
    {"keys": [48, 55], "hold": True, "sound": "market-organ"},
]


def heard(player: Player, key: float, side: int = 0) -> float:
    """Return the level of what sounds at a key now, in dB."""
    return db(partial_level(player.hear(0.1)[:, side], RATE, key_hz(key)))


def test_a_key_sounds_an_octave_from_where_its_zone_puts_it() -> None:
    player = Player(zones=SPLIT).send("90 39 7f").wait(0.05)  # 57
    assert heard(player, 69) > -50 > -90 > heard(player, 57)
    player.send("80 39 40").wait(1.0)
    assert player.silent()


def test_a_zone_has_a_sound_of_its_own() -> None:
    zones = [{"keys": [0, 59]}, {"keys": [60, 127], "sound": "other"}]
    plain = Player(zones=zones).send("90 39 7f").wait(0.05)
    assert heard(plain, 57) > -50 > -90 > heard(plain, 57 + 12)
    own = Player(zones=zones).send("90 45 7f").wait(0.05)
    assert heard(own, 69) > -50
    assert heard(own, 69 + 12) > -50  # the second of its four partials


def test_an_octave_that_does_not_exist_sounds_in_the_nearest_one() -> None:
    player = Player(zones=[{"octave": 5}]).send("90 45 7f").wait(0.05)  # 69: 129 would be next
    assert heard(player, 117) > -50


def test_a_key_in_two_zones_sounds_twice_and_counts_twice() -> None:
    player = Player(zones=[{}, {"octave": 1, "sound": "other"}]).send("90 3c 7f").wait(0.05)
    assert heard(player, 60) > -50
    assert heard(player, 72) > -50
    assert player.accounts == {"sounding": 2}
    assert player.instrument.ledger.layered == 1
    player.send("80 3c 40").wait(1.0)
    assert player.silent()
    assert player.accounts == {"released": 2}


def test_layers_share_the_polyphony_and_the_oldest_gives_way() -> None:
    player = Player(zones=[{}, {"octave": 1}], polyphony=3).send("90 3c 7f", "90 40 7f")
    assert player.accounts == {"sounding": 3, "stolen": 1}
    stolen = [note for note in player.instrument.ledger.notes if note.account == "stolen"]
    assert [note.key for note in stolen] == [60]


def test_a_key_outside_every_zone_is_booked_as_that() -> None:
    player = Player(zones=[{"keys": [60, 72]}]).send("90 3b 7f")
    assert player.silent()
    assert player.accounts == {"outside every zone": 1}


def test_a_zone_is_quieter_and_to_a_side_beside_another() -> None:
    player = Player(zones=[{"keys": [0, 59]}, {"keys": [60, 127], "level_db": -12.0, "pan": 1.0}])
    player.send("90 39 7f").wait(0.05)
    plain = heard(player, 57)
    player.send("80 39 40").wait(1.0).send("90 45 7f").wait(0.05)
    assert heard(player, 69, side=0) < -120
    # A pan to one side has the power of both.
    assert heard(player, 69, side=1) == pytest.approx(plain - 12.0 + 3.01, abs=0.1)


def test_a_mono_card_hears_a_zone_that_stands_to_a_side_as_loud_as_another() -> None:
    events = [on(0, 69)]
    aside = settings_for("sine", zones=[{"pan": 1.0}])
    assert np.array_equal(
        play(events, 4096, settings=aside, mono=True), play(events, 4096, mono=True)
    )


def test_a_zone_of_one_channel_leaves_the_others_alone() -> None:
    player = Player(zones=[{"channel": 2}]).send("90 45 7f", "91 45 7f")
    assert player.accounts == {"sounding": 1, "outside every zone": 1}


def test_wheel_and_volume_reach_every_layer() -> None:
    player = Player(zones=[{}, {"octave": 1}]).send("90 39 7f").wait(0.05)
    before = heard(player, 57), heard(player, 69)
    player.send("e0 7f 7f").wait(0.1)  # two semitones up
    assert heard(player, 59) == pytest.approx(before[0], abs=0.2)
    assert heard(player, 71) == pytest.approx(before[1], abs=0.2)
    player.control(7, 50).wait(0.1)
    assert heard(player, 59) == pytest.approx(before[0] - 12.04, abs=0.2)


def test_members_of_an_mpe_zone_play_the_zones_of_their_manager() -> None:
    """MPE v1.1: the bend of a member is its own note's."""
    player = Player(zones=[{"octave": 1, "channel": 1}])
    player.send("b0 65 00", "b0 64 06", "b0 06 05")  # five members
    player.send("91 39 7f", "92 3c 7f", "e1 00 50").wait(0.1)  # 2 a quarter up: 12 semitones
    assert heard(player, 81) > -50
    assert heard(player, 72) > -50
    player.send("81 39 40", "82 3c 40").wait(1.0)
    assert player.silent()
    assert player.accounts == {"released": 2}


def test_in_omni_mode_the_basic_channels_zone_hears_every_channel() -> None:
    omni = {"mode": 1, "basic_channel": 3}
    player = Player(controller=omni, zones=[{"channel": 3}]).send("90 45 7f", "95 48 7f")
    assert player.accounts == {"sounding": 2}


# --- drones ------------------------------------------------------------------------------------


def test_a_drone_sounds_on_when_its_key_comes_up_and_stops_when_it_is_struck_again() -> None:
    player = Player(zones=[{"hold": True}]).send("90 45 7f", "80 45 40").wait(1.0)
    assert heard(player, 69) > -50
    assert player.accounts == {"sounding": 1}
    player.send("90 45 7f", "80 45 40").wait(1.0)
    assert player.silent()
    assert player.accounts == {"released": 1, "taken as a command": 1}
    player.send("90 45 7f", "80 45 40").wait(0.1)
    assert heard(player, 69) > -50


def test_a_drone_stops_under_a_pedal_too() -> None:
    player = Player(zones=[{"hold": True}]).send("90 45 7f", "80 45 40").control(64, 127)
    player.send("90 45 7f", "80 45 40").wait(1.0)
    assert player.silent()


@pytest.mark.parametrize("last", ["b0 7b 00", "b0 78 00", "b0 7e 01", "ff"])
def test_what_ends_all_notes_ends_drones(last: str) -> None:
    player = Player(zones=[{"hold": True}]).send("90 45 7f", "80 45 40").wait(0.1)
    player.send(last).wait(1.0)
    assert player.silent()


def test_a_drone_plays_beside_a_melody_in_mono_mode() -> None:
    player = Player(zones=[{"keys": [0, 59], "hold": True}, {"keys": [60, 127]}])
    player.send("b0 7e 01", "90 30 7f", "80 30 40", "90 33 7f", "80 33 40")
    player.send("90 45 7f", "90 48 7f").wait(0.1)
    assert player.accounts == {"sounding": 3, "retriggered": 1}
    assert heard(player, 48) > -50
    assert heard(player, 51) > -50


# --- the settings change ------------------------------------------------------------------------


@pytest.mark.parametrize(
    "edited",
    [
        [],
        [{"keys": [90, 100]}],
        [{"octave": -2}],
        [{"sound": "other"}, {"octave": 1}],
        [{"hold": True}],
    ],
)
def test_no_edit_of_the_zones_strands_a_note(edited: Sequence[dict[str, Any]]) -> None:
    player = Player(zones=[{}, {"octave": 1}]).send("90 3c 7f").wait(0.1)
    instrument = player.instrument
    instrument.apply(_with_zones(instrument.settings, edited))
    player.send("90 40 7f").wait(0.1).send("80 3c 40", "80 40 40").wait(1.0)
    if edited and edited[0].get("hold"):
        player.send("90 40 7f", "80 40 40").wait(1.0)
    assert player.silent()
    assert instrument.ledger.received == sum(instrument.ledger.accounts().values())


@pytest.mark.parametrize(
    ("edited", "goes_on"),
    [
        ([], False),
        ([{"keys": [90, 100], "hold": True}], False),
        ([{"hold": False}], True),
        ([{"hold": True, "octave": 2, "level_db": -3.0}], True),
    ],
)
def test_a_drone_goes_on_while_there_is_a_zone_that_can_stop_it(
    edited: Sequence[dict[str, Any]], *, goes_on: bool
) -> None:
    player = Player(zones=[{"hold": True}]).send("90 45 7f", "80 45 40").wait(0.1)
    player.instrument.apply(_with_zones(player.instrument.settings, edited))
    player.wait(1.0)
    assert player.silent() == (not goes_on)
    player.send("90 45 7f", "80 45 40").wait(1.0)
    assert player.silent()


def test_an_octave_that_is_edited_leaves_sounding_notes_where_they_are() -> None:
    player = Player(zones=[{"octave": 1}]).send("90 39 7f").wait(0.1)
    player.instrument.apply(_with_zones(player.instrument.settings, [{"octave": 2}]))
    player.wait(0.1)
    assert heard(player, 69) > -50
    player.send("90 3c 7f").wait(0.1)
    assert heard(player, 84) > -50


def test_an_edited_level_is_heard_on_sounding_notes_without_a_click() -> None:
    player = Player(zones=[{}]).send("90 45 7f").wait(0.2)
    before = player.hear(0.1)
    player.instrument.apply(_with_zones(player.instrument.settings, [{"level_db": -20.0}]))
    during = player.hear(0.1)
    assert np.abs(np.diff(during[:, 0])).max() <= np.abs(np.diff(before[:, 0])).max() * 1.01
    assert peak(player.hear(0.1)) == pytest.approx(peak(before) / 10, rel=0.01)


def _with_zones(settings: Settings, zones: Sequence[dict[str, Any]]) -> Settings:
    return Settings.model_validate(settings.model_dump(exclude_unset=True) | {"zones": list(zones)})


# --- all at once --------------------------------------------------------------------------------


@pytest.mark.slow
def test_one_zone_of_the_whole_keyboard_sounds_as_none_does() -> None:
    kinds = ("note", "note", "bend", "vibrato", "volume", "pedal", "program", "knob", "mode")
    events = random_play(5, 3.0, *kinds)
    one, none = (
        play(events, 3 * RATE, settings=settings_for(*SOUNDS, zones=zones), block_frames=128)
        for zones in ([Zone().model_dump()], [])
    )
    assert db(peak(one - none)) < -120 + db(peak(none))


@pytest.mark.slow
def test_zones_sound_the_same_however_they_are_cut_into_blocks() -> None:
    kinds = ("note", "note", "note", "bend", "vibrato", "volume", "pedal", "program", "knob")
    events = [
        *random_play(11, 3.0, *kinds),
        *drones(11, 3.0),
    ]
    assert difference_of_blocks(lambda block: recording(events, block), 0.01) < -100


def drones(seed: int, seconds: float) -> list[Event]:
    """Return keys of the drones struck at random."""
    chance = Random(seed)
    return [
        event
        for _ in range(round(4 * seconds))
        for at in [chance.randrange(round(seconds * RATE))]
        for key in [chance.randrange(48, 56)]
        for event in (on(at, key, 100), off(at + 2_000, key))
    ]


def recording(events: list[Event], block: int) -> Recording:
    settings = settings_for(*SOUNDS, zones=OVERLAPPING, level={"volume_db": -20.0})
    instrument = Instrument(settings, sample_rate=RATE, block_frames=block)
    return perform(instrument, block, events, 3 * RATE)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_random_music_in_zones_leaves_nothing_and_every_note_is_counted(seed: int) -> None:
    settings = settings_for("sine", polyphony=6, zones=OVERLAPPING)
    marathon = Marathon(seed, settings, sample_rate=22_050, block_frames=512)
    marathon.play(120.0)
    marathon.end()
    accounts = marathon.instrument.ledger.accounts()
    assert accounts["outside every zone"]
    assert accounts["taken as a command"]
    assert accounts["stolen"]
