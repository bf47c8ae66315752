import numpy as np

from config.sound import Sound
from tests.support.playing import RATE, Recording, off, on
from tests.support.takes import perform_dry

RANKS = [
    {"harmonics": 2, "decay_s": 0.05, "release_s": [0.3, 0.1]},
    {"ratios": [3.0, 5.0], "release_s": [0.3, 0.1]},
]
NOISE = {"hz": [300.0, 2000.0], "partials": 8, "level_db": -20.0, "decay_s": 0.04}


def released(release_noise: dict[str, object] | None) -> Recording:
    """Return a note whose low partials are gone long before its key is released."""
    sound = Sound.model_validate(
        {"title": "T", "about": "T.", "ranks": RANKS, "release_noise": release_noise}
    )
    return perform_dry("t", [on(0, 60), off(RATE, 60)], 1.2, sound)


def test_a_key_is_heard_coming_up_when_part_of_its_note_has_died_away() -> None:
    noise = released(NOISE) - released(None)
    assert not np.any(noise[:RATE])
    assert np.abs(noise[RATE:]).max() > 1e-3
