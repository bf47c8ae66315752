"""What is left out where there is no time for all partials: shadows and noise, never a rank."""

import numpy as np
import pytest

from config.library import shipped
from config.sound import Sound
from tests.support.playing import RATE, on, perform, settings_for
from voices.instrument import Instrument
from voices.synthesis.timbre import IN_RANK, PADDING
from voices.synthesis.voicing import Voicing

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
