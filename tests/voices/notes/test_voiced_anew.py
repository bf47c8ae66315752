"""A sound that is changed while its notes are held: they go on in it."""

import numpy as np
import pytest
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from tests.support.measure import db, partial_level
from tests.support.playing import RATE, sound
from voices.instrument import Instrument

FRAMES = 64


class Held:
    """One held note on an instrument whose sound can be changed."""

    def __init__(self, begun: Sound, **settings: object) -> None:
        self.settings = Settings.model_validate(
            {"sound": {"name": "mine", "programs": []}, "room": {"level_db": -80.0}, **settings}
        )
        self.instrument = Instrument(
            self.settings, sample_rate=RATE, block_frames=FRAMES, sounds={"mine": begun}
        )
        self.instrument.take(b"\x90\x45\x7f")
        self.hear(0.3)

    def change(self, now: Sound) -> None:
        self.instrument.apply(self.settings, {"mine": now})

    def hear(self, seconds: float) -> NDArray[np.float64]:
        out, blocks = np.zeros((FRAMES, 2), np.float32), []
        for _ in range(round(seconds * RATE / FRAMES)):
            self.instrument.render(out)
            blocks.append(out[:, 0].astype(np.float64))
        return np.concatenate(blocks)

    def levels(self) -> list[float]:
        heard = self.hear(0.25)
        return [db(partial_level(heard, RATE, 440.0 * n)) for n in (1, 2, 3)]


def test_a_held_note_takes_the_levels_of_the_changed_sound() -> None:
    held = Held(sound([0.0, -20.0, -60.0]))
    before = held.levels()
    held.change(sound([0.0, -6.0, -30.0]))
    held.hear(0.05)
    after = held.levels()
    assert after[0] == pytest.approx(before[0], abs=0.05)
    assert after[1] - before[1] == pytest.approx(14.0, abs=0.1)
    assert after[2] - before[2] == pytest.approx(30.0, abs=0.1)
    assert held.instrument.ledger.accounts()["sounding"] == 1
    assert held.instrument.sounding == 1


def test_the_change_makes_no_click() -> None:
    held = Held(sound([0.0, -12.0]))
    step = np.abs(np.diff(held.hear(0.1))).max()
    held.change(sound([0.0, -14.0]))
    assert np.abs(np.diff(held.hear(0.1))).max() < 1.6 * step


def test_what_decays_is_not_struck_again() -> None:
    ringing = [2.0, 2.0, 2.0]
    held = Held(sound([0.0, -10.0, -20.0], decay_s=ringing))
    held.hear(0.6)
    before = held.levels()
    held.change(sound([0.0, -13.0, -20.0], decay_s=ringing))
    held.hear(0.05)
    after = held.levels()
    fallen = 60 / 2.0 * 0.3
    assert after[0] == pytest.approx(before[0] - fallen, abs=0.3)
    assert after[1] == pytest.approx(before[1] - fallen - 3.0, abs=0.3)


def test_a_released_note_ends_as_it_was_and_keys_end_what_was_changed() -> None:
    held = Held(sound([0.0], envelope={"release_s": 0.1}))
    held.change(sound([-3.0], envelope={"release_s": 0.1}))
    held.hear(0.1)
    held.instrument.take(b"\x80\x45\x40")
    held.change(sound([-9.0], envelope={"release_s": 0.1}))
    held.hear(0.5)
    assert held.instrument.sounding == 0
    assert held.instrument.ledger.accounts()["released"] == 1


def test_another_sound_in_the_settings_leaves_held_notes_alone() -> None:
    held = Held(sound([0.0, -20.0]))
    before = held.levels()
    chosen = held.settings.model_copy(
        update={"sound": held.settings.sound.model_copy(update={"name": "other"})}
    )
    sounds = {"mine": sound([0.0, -20.0]), "other": sound([-30.0, 0.0])}
    held.instrument.apply(chosen, sounds)
    held.hear(0.05)
    assert held.levels()[:2] == pytest.approx(before[:2], abs=0.05)


def test_a_held_note_goes_on_in_its_own_sound_though_its_channel_has_another_by_now() -> None:
    held = Held(sound([0.0, -20.0]), sound={"name": "mine", "programs": ["mine", "other"]})
    other, before = sound([-30.0, 0.0]), held.levels()

    def change(level_db: float) -> None:
        held.instrument.apply(held.settings, {"mine": sound([0.0, level_db]), "other": other})

    change(-20.0)
    held.instrument.take(b"\xc0\x01")
    held.hear(0.05)
    for level_db in (-6.0, -9.0, -12.0):  # each before it has changed to the one before
        change(level_db)
    held.hear(0.05)
    after = held.levels()
    assert after[0] == pytest.approx(before[0], abs=0.05)
    assert after[1] - before[1] == pytest.approx(8.0, abs=0.1)
    held.instrument.take(b"\xc0\x00")
    change(-20.0)
    held.hear(0.05)
    assert held.levels()[1] == pytest.approx(before[1], abs=0.1)


def test_sliders_that_move_fast_leave_no_voice_behind() -> None:
    held = Held(sound([0.0, -20.0]))
    for step in range(40):
        held.change(sound([0.0, -20.0 + step / 4]))
        held.hear(0.004)
    held.hear(0.1)
    assert held.instrument.sounding == 1
    assert held.levels()[1] - held.levels()[0] == pytest.approx(-10.25, abs=0.2)


def test_many_held_notes_change_a_few_a_block_and_none_is_forgotten() -> None:
    held = Held(sound([0.0, -20.0]))
    keys = range(46, 58)
    for key in keys:
        held.instrument.take(bytes((0x90, key, 127)))
    held.hear(0.1)
    for level_db in (-26.0, -32.0, -38.0):  # each before all have changed to the one before
        held.change(sound([0.0, level_db]))
        held.hear(2 * FRAMES / RATE)
    held.hear(0.2)
    pool = held.instrument._pool
    levels = {round(float(v.slots[0].onset_spectrum.levels[1]), 9) for v in pool.allocator.values()}
    assert len(levels) == 1
    assert held.instrument.sounding == len(keys) + 1
    assert not pool.anew.waiting
