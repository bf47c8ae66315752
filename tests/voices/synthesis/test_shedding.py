"""What is left out where there is no time for all partials: shadows and noise, never a rank."""

import numpy as np
import pytest

from config.library import shipped
from config.sound import Sound
from tests.support.measure_sounds import part, passed, power_db
from tests.support.playing import RATE, Recording, on, perform, settings_for
from voices.instrument import Instrument
from voices.timbres.timbre import IN_RANK, PADDING
from voices.timbres.voicing import Voicing

OF_RANKS = [name for name, sound in shipped().items() if sound.ranks]


@pytest.mark.parametrize("name", OF_RANKS)
def test_the_fewest_partials_that_are_rendered_have_some_of_every_rank(name: str) -> None:
    for timbre in Voicing(shipped()[name], RATE).timbres(60):
        ranks = timbre.properties[2, : timbre.count] // IN_RANK
        assert set(ranks[: timbre.least]) >= set(ranks[ranks > 0])
        assert timbre.least <= max(PADDING, len(shipped()[name].ranks))


def test_the_noise_and_the_shadows_go_before_any_partial_does() -> None:
    ranks = [{"harmonics": 6, "rise_s": [0.2, 0.02]}]
    noise = {"hz": [900.0, 5000.0], "partials": 8, "level_db": 0.0, "rise_s": 0.02}
    sound = Sound.model_validate(
        {"title": "Pipe", "about": "Loud breath.", "ranks": ranks, "onset_noise": noise}
    )
    (timbre,) = Voicing(sound, RATE).timbres(60)
    numbers = timbre.properties[2, : timbre.count] % IN_RANK
    assert sorted(numbers[:6]) == [1, 2, 3, 4, 5, 6]
    assert set(numbers[6:]) == {0, 1, 2}  # the noise, and the shadows of the two that are slow


def limited(limit: int | None, note_at: int = 0) -> Recording:
    """Return a note with a noise of its own slot, its partials limited from 20 ms on."""
    noise = {"hz": [6000.0, 8000.0], "partials": 12, "level_db": 0.0, "decay_s": 0.3}
    sound = Sound.model_validate(
        {
            **{"title": "T", "about": "T.", "envelope": {"attack_s": 0.2}},
            **{"ranks": [{"harmonics": 8, "width": 0.5}], "onset_noise": noise},
        }
    )
    settings = settings_for("t", room={"level_db": -80.0})
    instrument = Instrument(settings, sample_rate=RATE, block_frames=64, sounds={"t": sound})
    blocks = iter(range(10_000))

    def each_block() -> None:
        if next(blocks) >= 14:
            instrument.limit_partials(limit)

    return perform(instrument, 64, [on(note_at, 60)], RATE // 2, each_block)


def test_a_noise_ends_before_any_partial_of_a_rank_does() -> None:
    everything, less = limited(None), limited(16)
    noisy, quiet = (part(passed(each, "high", 5000.0, 8), 0.03, 0.1) for each in (everything, less))
    assert power_db(quiet, noisy) < -60.0
    tone, kept = (part(passed(each, "low", 2400.0, 8), 0.3, 0.4) for each in (everything, less))
    assert abs(power_db(kept, tone)) < 0.01


def test_a_noise_that_ends_early_does_not_click() -> None:
    rough = passed(limited(16), "high", 14_000.0, 8)
    assert np.abs(rough).max() < 1e-3 * np.abs(limited(16)).max()


def test_while_there_is_no_time_no_noise_begins() -> None:
    at = RATE // 5
    heard, noisy = (passed(limited(each, at), "high", 5000.0, 8) for each in (16, None))
    assert power_db(heard, noisy) < -25.0


def test_an_instrument_without_time_still_plays_every_rank() -> None:
    name = "market-organ"
    settings = settings_for(name, room={"level_db": -80.0})
    instrument = Instrument(settings, sample_rate=RATE, block_frames=256)
    perform(instrument, 256, [on(0, 60)], RATE // 4)
    instrument.limit_partials(1)
    heard = perform(instrument, 256, [], RATE)[:, 0]
    spectrum = np.abs(np.fft.rfft(heard * np.blackman(len(heard))))
    for rank in shipped()[name].ranks:
        place = round(261.6256 * rank.pitch_at(60))
        assert spectrum[place - 3 : place + 4].max() > 0.003 * spectrum.max()
