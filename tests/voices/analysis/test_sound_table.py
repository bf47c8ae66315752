"""Sound files out of recordings: what they say, and that it sounds like the recording."""

import numpy as np
import pytest

from config.sound import Sound
from tests.support.recorded import RATE, Sum, played, summed
from voices.analysis.description import Description, describe
from voices.analysis.sound_table import table_of

PARTIALS = [Sum(n, -5.0 * np.log2(n), 0.1 * n, 2.0 / n**0.5) for n in range(1, 7)]


def struck(
    key: int, *, level_db: float = 0.0, decay: float = 1.0, tilt_db: float = 0.0
) -> Description:
    partials = [
        Sum(n, each.level_db + level_db + tilt_db * np.log2(n), each.phase, each.decay_s * decay)
        for n, each in enumerate(PARTIALS, 1)
    ]
    hz = 440.0 * 2 ** ((key - 69) / 12)
    return describe(summed(hz, partials, 1.0), RATE)


def made(*notes: Description) -> Sound:
    return Sound.model_validate(table_of(notes, "Bottle", "Found in a bottle."))


def test_one_clean_note_becomes_columns_with_phases_and_sounds_like_itself() -> None:
    sound = made(struck(60))
    assert sound.partials is not None
    assert sound.ratios == pytest.approx([n for n in range(1, 7)], rel=1e-4)
    again = describe(played({"bottle": sound}, "bottle", 60, 1.0), RATE)
    for found, wanted in zip(again.partials, PARTIALS, strict=True):
        relative = found.level_db - again.partials[0].level_db
        assert relative == pytest.approx(wanted.level_db, abs=0.1)
        assert found.decay_s == pytest.approx(wanted.decay_s, rel=0.03)


@pytest.mark.slow
def test_two_decays_and_noise_become_ranks_with_pairs() -> None:
    twice = [Sum(1, 0, 0.25, 0.8), Sum(1.003, -12, 0.25, 4.0), Sum(2, -9, 0.1, 1.0)]
    note = describe(summed(261.6256, twice, 2.0, noise_db=-40.0), RATE)
    sound = made(note)
    first = sound.ranks[0]
    assert first.pair is not None
    assert first.pair.level_db == pytest.approx(-12.0, abs=0.3)
    assert first.pair.longer == pytest.approx(5.0, rel=0.05)
    assert first.pair.beats_hz == pytest.approx(0.785, abs=0.02)
    assert sound.onset_noise is not None
    assert sound.onset_noise.level_db == pytest.approx(-40.0, abs=1.0)


@pytest.mark.slow
def test_several_keys_say_what_the_key_changes() -> None:
    low = struck(48, level_db=4.0, decay=2.0, tilt_db=1.0)
    high = struck(72, level_db=-4.0, decay=0.5, tilt_db=-1.0)
    sound = made(struck(60), low, high)
    first, fourth = sound.ranks[0], sound.ranks[3]
    assert first.keys.decay == pytest.approx(0.5, abs=0.02)
    assert first.decay_s == pytest.approx(2.0, rel=0.03)
    assert fourth.keys.level_db - first.keys.level_db == pytest.approx(-2.0, abs=0.1)
    levels = dict(zip(range(24, 109, 12), sound.balance_db, strict=True))
    assert levels[60] == pytest.approx(0.0, abs=0.1)
    assert levels[48] > 3.0 > -3.0 > levels[72]


@pytest.mark.slow
def test_several_strengths_say_what_effort_changes() -> None:
    sound = made(struck(60), struck(60, level_db=-20.0, tilt_db=-3.0))
    assert sound.velocity.tilt_db == pytest.approx(3.0, abs=0.1)
    assert 20.0 < sound.velocity.range_db < 24.0
    assert 1.2 < sound.effort.swell_db < 1.6


@pytest.mark.slow
def test_a_sound_of_many_partials_fits_in_what_a_sound_may_have() -> None:
    many = [Sum(n, -2.0 * np.log2(n), 0.1 * n, 2.0) for n in range(1, 100)]
    note = describe(summed(65.4, many, 1.0, noise_db=-50.0), RATE)
    assert len(note.partials) > 90
    sound = made(note)
    assert 100 < sound.count <= 128
