"""The phrases by which ``partiald sounds hear`` shows what a sound is."""

from itertools import pairwise
from typing import get_args

import numpy as np
import pytest

from config.library import shipped
from config.settings import Settings
from config.sound import Family
from daemon.offline.phrase import phrase
from daemon.offline.rendering import render

FAMILIES = [*get_args(Family), None]


@pytest.mark.parametrize("family", FAMILIES)
def test_a_phrase_is_short_and_lets_go_of_every_key(family: str | None) -> None:
    song = phrase(family)
    held: set[int] = set()
    for _, message in song.events:
        if message[0] == 0x90:
            assert 36 <= message[1] <= 84
            held.add(message[1])
        elif message[0] == 0x80:
            held.remove(message[1])
    assert not held
    assert 4.0 <= song.length_s <= 10.0


@pytest.mark.parametrize("family", FAMILIES)
def test_the_swell_of_a_phrase_never_leaps(family: str | None) -> None:
    values = [message[2] for _, message in phrase(family).events if message[:2] == b"\xb0\x0b"]
    assert all(abs(after - before) <= 4 for before, after in pairwise(values))
    if values:
        assert max(values) == 127
        assert min(values[0], values[-1]) >= 96


@pytest.mark.slow
@pytest.mark.parametrize("name", shipped())
def test_a_phrase_is_heard_to_its_end_and_has_no_peak_near_full_scale_and_no_offset(
    name: str,
) -> None:
    settings = Settings.model_validate({"sound": {"name": name, "programs": []}})
    blocks: list[np.ndarray] = []
    song = phrase(shipped()[name].family)
    render(song, settings, shipped(), 48_000, lambda block: blocks.append(block.copy()))
    audio = np.concatenate(blocks).astype(np.float64)
    peak, power = np.abs(audio).max(), np.square(audio).mean()
    assert 0.02 < peak < 0.5
    assert np.abs(audio[-480:]).max() < 0.003 * peak
    assert (np.abs(audio.mean(axis=0)) < 0.002 * power**0.5).all()
    assert 6.0 < len(audio) / 48_000 < 12.0
