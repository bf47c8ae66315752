import numpy as np
import pytest

from config.sound import Sound
from tests.support.playing import RATE, off, on
from tests.support.takes import perform_dry


@pytest.mark.parametrize("rise_s", [0.002, 0.5])  # in the slot of the ranks, and in one of its own
@pytest.mark.parametrize("which", ["onset_noise", "release_noise"])
def test_a_noise_stands_where_its_key_stands(which: str, rise_s: float) -> None:
    noise = {"hz": [3000.0, 6000.0], "partials": 8, "level_db": 0.0, "decay_s": 0.2}
    fields = {"title": "T", "about": "T.", "spread": 1.0, "envelope": {"attack_s": rise_s}}
    plain = Sound.model_validate({**fields, "ranks": [{"release_s": 0.1}]})
    noisy = Sound.model_validate({**fields, "ranks": [{"release_s": 0.1}], which: noise})
    events = [on(0, 84), off(RATE // 4, 84)]  # two octaves above C4: at the right
    both, one = (perform_dry("t", events, 0.5, each) for each in (noisy, plain))
    left, right = np.abs(both - one).max(axis=0)
    assert right > 1e-3
    assert left < 0.01 * right
