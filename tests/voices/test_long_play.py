"""An hour of random music in virtual time: nothing is lost, nothing hangs, nothing grows."""

import pytest

from config.settings import Settings
from tests.support.random_music import Marathon, accounts_in_use, resident

LOUD = Settings.model_validate({"polyphony": 8, "level": {"volume_db": 12.0}})


@pytest.mark.slow
def test_in_an_hour_of_random_music_every_note_is_counted_and_memory_stays_flat() -> None:
    marathon = Marathon(2026, LOUD, sample_rate=22_050, block_frames=1024)
    marathon.play(1800)
    # By now the tables of all keys, which are kept up to a bound, are there.
    early = resident()
    marathon.play(1800)
    assert resident() - early < 6_000_000
    marathon.end()
    assert marathon.player.struck > 5_000
    assert {"released", "stolen", "retriggered", "cut"} <= accounts_in_use(marathon.instrument)
    # The ceiling had something to hold, or else the look at it would be worth nothing.
    assert marathon.loudest > 0.8


def test_the_marathon_notices_a_note_that_is_not_counted() -> None:
    marathon = Marathon(1, LOUD, sample_rate=22_050, block_frames=1024)
    marathon.play(10)
    marathon.player.struck += 1
    with pytest.raises(AssertionError):
        marathon.play(1)
