"""What a player begins with: made once, before the fork, and used by every player after it."""

import gc

import pytest

from config.settings import Settings
from daemon.ipc.messages import Start
from daemon.player.beginning import beginning, warm_up
from voices.instrument import Instrument
from voices.synthesis.bank import Bank

PLAIN = {"sound": {"name": "sine"}}


def job(known_card: str = "", **sections: object) -> Start:
    plain = Settings.model_validate(PLAIN | sections).model_dump()
    return Start(plain, known_card=known_card)


def test_the_warm_up_really_plays() -> None:
    """Or else the first note of a player would come milliseconds late (measured: 5)."""
    assert warm_up(Settings(), None) > 10


def test_the_banks_of_the_warm_up_make_room_for_those_that_play() -> None:
    def banks() -> set[int]:
        return {id(each) for each in gc.get_objects() if isinstance(each, Bank)}

    gc.collect()
    gc.disable()  # as in the player
    try:
        others = banks()  # of tests before this one
        warm_up(Settings(), None)
        assert banks() <= others
    finally:
        gc.enable()


def test_a_later_player_begins_with_what_the_first_one_had_whatever_its_card() -> None:
    assert beginning(job(known_card="usb 1")) is beginning(job())


def test_another_volume_or_sound_is_another_beginning_with_the_same_shipped_sounds() -> None:
    first = beginning(job())
    second = beginning(job(level={"volume_db": -6.0}))
    assert (first.settings.level.volume_db, second.settings.level.volume_db) == (0.0, -6.0)
    assert second.sounds["sine"] is first.sounds["sine"]


def test_a_fault_in_the_settings_is_raised_every_time() -> None:
    wrong = Start(job().settings | {"polyphony": 0})
    for _ in range(2):
        with pytest.raises(ValueError, match="polyphony"):
            beginning(wrong)


def test_an_instrument_finds_the_tables_that_the_warm_up_has_made() -> None:
    settings, sounds = beginning(job())
    tables = [
        Instrument(settings, sample_rate=48_000, block_frames=64, sounds=sounds)._pool._cache.kept
        for _ in range(2)
    ]
    assert tables[0]
    assert tables[0] is tables[1]
