"""A quick start: the sound in force first, those of program changes beside the music."""

import numpy as np

from config.settings import Settings
from tests.support.playing import Recording, settings_for
from voices.instrument import Instrument

SETTINGS = settings_for("sine", "flat64")
FLAT = bytes((0xC0, 1))
KEY = bytes((0x90, 60, 100))


def made(settings: Settings = SETTINGS, *, own_sound_only: bool) -> Instrument:
    return Instrument(settings, sample_rate=48_000, block_frames=256, own_sound_only=own_sound_only)


def heard(instrument: Instrument, *messages: bytes) -> Recording:
    for message in messages:
        instrument.take(message)
    blocks = np.zeros((8, 256, 2), np.float32)
    for block in blocks:
        instrument.render(block)
    return blocks.reshape(-1, 2)


def test_until_all_is_ready_the_sound_in_force_stands_for_the_others() -> None:
    quick, whole = made(own_sound_only=True), made(own_sound_only=False)
    own = heard(whole, KEY)
    assert np.array_equal(heard(quick, FLAT, KEY), own)
    quick, whole = made(own_sound_only=True), made(own_sound_only=False)
    heard(quick, FLAT)
    quick.prepare(SETTINGS)
    quick.apply(SETTINGS)
    other = heard(quick, KEY)
    heard(whole, FLAT)
    assert np.array_equal(other, heard(whole, KEY))
    assert not np.allclose(other, own, atol=1e-3)


def test_what_zones_choose_is_ready_from_the_start() -> None:
    zoned = settings_for("sine", "flat64", zones=[{"sound": "flat64"}, {"octave": 1}])
    quick, whole = (made(zoned, own_sound_only=only) for only in (True, False))
    assert np.array_equal(heard(quick, KEY), heard(whole, KEY))
