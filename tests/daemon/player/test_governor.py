"""The governor: what it takes away, in which order, and what it gives back."""

import numpy as np
import pytest

from config.settings import Settings
from daemon.player.governor import HIGH_SHARE, PATIENCE_S, SETTLING_BLOCKS, Governor
from tests.support.busy_instrument import busy_instrument
from tests.support.playing import sound
from voices.instrument import Instrument

RATE, BLOCK = 48_000, 128
BLOCK_US = BLOCK / RATE * 1e6


class Load:
    """An instrument whose blocks take a fixed time and so much for every partial."""

    def __init__(self, wanted: int, us_per_partial: float, least: int = 64) -> None:
        self.wanted, self.least = wanted, least
        self.us_per_partial = us_per_partial
        self.partials = wanted
        self.tails = 3

    def limit_partials(self, partials: int | None) -> int:
        self.partials = self.wanted if partials is None else max(self.least, partials)
        self.partials = min(self.partials, self.wanted)
        return self.partials

    def end_tails(self) -> int:
        ended, self.tails = self.tails, 0
        return ended

    @property
    def render_us(self) -> float:
        return 100.0 + self.partials * self.us_per_partial


def run(load: Load, governor: Governor, seconds: float) -> float:
    """Play for so long; return the share of the last block's time that it took."""
    for _ in range(int(seconds * RATE / BLOCK)):
        governor.observe(load.render_us)
    return load.render_us / BLOCK_US


def relieved() -> tuple[Load, Governor]:
    """Return a load that was three times what fits, and then a tenth of that."""
    load = Load(wanted=4096, us_per_partial=3 * BLOCK_US / 4096)
    governor = Governor(load, RATE, BLOCK)
    run(load, governor, 0.1)
    load.us_per_partial /= 10
    return load, governor


def test_three_times_what_fits_is_shed_within_a_few_blocks_and_no_tail_is_needed() -> None:
    load = Load(wanted=4096, us_per_partial=3 * BLOCK_US / 4096)
    governor = Governor(load, RATE, BLOCK)
    share = run(load, governor, 0.05)
    assert share < HIGH_SHARE
    assert load.partials < 4096 / 3
    assert 1 <= governor.steps <= 5
    assert load.tails == 3


def test_when_no_partial_can_be_shed_the_tails_go() -> None:
    load = Load(wanted=4096, us_per_partial=1.0, least=4096)
    governor = Governor(load, RATE, BLOCK)
    run(load, governor, 0.05)
    assert governor.tails_ended == 3


def test_when_nothing_is_left_to_take_it_takes_no_more_steps() -> None:
    load = Load(wanted=4096, us_per_partial=1.0, least=512)
    load.us_per_partial = 3 * BLOCK_US / 512
    governor = Governor(load, RATE, BLOCK)
    run(load, governor, 0.1)
    steps = governor.steps
    assert load.partials == governor.limit == 512
    assert load.tails == 0
    run(load, governor, 10.0)
    assert governor.steps == steps
    assert load.partials == governor.limit == 512


def test_partials_come_back_slowly_once_there_is_time() -> None:
    load = Load(wanted=4096, us_per_partial=3 * BLOCK_US / 4096)
    governor = Governor(load, RATE, BLOCK)
    run(load, governor, 0.05)
    fewest = load.partials
    load.us_per_partial /= 10
    run(load, governor, PATIENCE_S * 0.9)
    assert load.partials == fewest
    run(load, governor, PATIENCE_S * 0.3)
    assert fewest < load.partials < 2 * fewest
    run(load, governor, PATIENCE_S * 30)
    assert governor.limit is None
    assert load.partials == 4096


def test_a_stray_long_block_now_and_then_does_not_keep_partials_away() -> None:
    load, governor = relieved()
    blocks = int(PATIENCE_S * RATE / BLOCK)
    for block in range(40 * blocks):
        stray = block % (blocks // 3) == 0
        governor.observe(0.6 * BLOCK_US if stray else load.render_us)
    assert governor.limit is None
    assert load.partials == 4096


def test_a_load_that_keeps_coming_near_keeps_partials_away() -> None:
    load, governor = relieved()
    least = load.partials
    for block in range(20_000):
        governor.observe((0.6 if block % 8 == 0 else 0.2) * BLOCK_US)
    assert load.partials == least


def test_an_easy_load_is_left_alone() -> None:
    load = Load(wanted=4096, us_per_partial=0.1)
    governor = Governor(load, RATE, BLOCK)
    run(load, governor, 5.0)
    assert (governor.limit, governor.steps) == (None, 0)


def test_a_single_long_block_is_forgiven_but_not_two_in_a_row() -> None:
    for long_blocks, steps in ((1, 0), (2, 1)):
        governor = Governor(Load(64, 1.0), RATE, BLOCK)
        for _ in range(20):
            governor.observe(0.1 * BLOCK_US)
        for _ in range(long_blocks):
            governor.observe(3.0 * BLOCK_US)
        for _ in range(20):
            governor.observe(0.1 * BLOCK_US)
        assert governor.steps == steps


def playing(voices: int) -> tuple[Instrument, np.ndarray]:
    levels = [-1.0 * place for place in range(32)]
    held = {"attack_s": 0.004, "release_s": 5.0}
    instrument = Instrument(
        Settings.model_validate({"polyphony": voices, "sound": {"name": "x"}}),
        sample_rate=RATE,
        block_frames=BLOCK,
        sounds={"x": sound(levels, envelope=held)},
    )
    for key in range(voices):
        instrument.take((0x90, 40 + key, 100))
    out = np.zeros((BLOCK, 2), np.float32)
    for _ in range(20):
        instrument.render(out)
    return instrument, out


def test_long_blocks_that_are_not_in_a_row_are_no_load() -> None:
    governor = Governor(Load(4096, 1.0), RATE, BLOCK)
    for _ in range(20):
        governor.observe(3.0 * BLOCK_US)
        governor.observe(0.1 * BLOCK_US)
    assert governor.steps == 0


def test_after_a_step_a_few_blocks_do_not_count_and_then_two_in_a_row_do_again() -> None:
    governor = Governor(Load(1 << 20, 1.0, least=1), RATE, BLOCK)
    steps = []
    for _ in range(2 + SETTLING_BLOCKS + 2):
        governor.observe(3.0 * BLOCK_US)
        steps.append(governor.steps)
    assert steps == [0, *(1 + SETTLING_BLOCKS + 1) * [1], 2]


def test_a_long_block_begins_the_wait_for_partials_again() -> None:
    load, governor = relieved()
    fewest = load.partials
    for _ in range(3):
        run(load, governor, 0.9 * PATIENCE_S)
        governor.observe(3.0 * BLOCK_US)
    assert load.partials == fewest
    run(load, governor, 1.1 * PATIENCE_S)
    assert load.partials > fewest


def test_shedding_leaves_the_loudest_partials_and_ends_no_note() -> None:
    instrument, out = playing(8)
    assert instrument.partials == 8 * 32
    before = instrument.ledger.accounts()
    assert instrument.limit_partials(100) == 8 * 12
    heard = []
    for _ in range(200):
        instrument.render(out)
        heard.append(out[:, 0].copy())
    assert instrument.ledger.accounts() == before
    assert instrument.sounding == 8
    audio = np.concatenate(heard[10:])
    spectrum = np.abs(np.fft.rfft(audio * np.blackman(len(audio))))
    lowest = 440.0 * 2 ** ((40 - 69) / 12)

    def level(partial: int) -> float:
        place = round(lowest * partial * len(audio) / RATE)
        return float(spectrum[place - 2 : place + 3].max())

    assert level(12) > 100 * level(29)
    assert instrument.limit_partials(None) == 8 * 32


@pytest.mark.parametrize("moving", [False, True], ids=["at rest", "bent and in vibrato"])
@pytest.mark.parametrize("frames", [32, 64, 256])
def test_shedding_and_coming_back_make_no_click(frames: int, moving: bool) -> None:
    # Harmonic ones would be read, in motion, and keep what they have.
    instrument, whole = (
        busy_instrument(4, 32, frames, moving=moving, stretch=1e-7) for _ in range(2)
    )
    out, reference = np.zeros((2, frames, 2), np.float32)
    missing: list[np.ndarray] = []
    for block in range(180):
        if block == 60:
            instrument.limit_partials(4 * 16)
        if block == 120:
            instrument.limit_partials(None)
        if block == 150 and moving:  # what has come back in motion stays when the motion ends
            for each in (instrument, whole):
                each.take((0xB0, 1, 0))
        instrument.render(out)
        whole.render(reference)
        missing.append((reference - out)[:, 0].astype(np.float64))
    assert np.abs(np.concatenate(missing[62:118])).max() > 0.5 * np.abs(reference).max()
    assert not np.any(missing[:60])
    # Voices that are read along a warped time are drawn in one product, of more or of fewer.
    assert np.abs(missing[121:]).max() <= (1e-8 if moving else 0.0)
    # A jump of all that is left out would be 1 here; its fade has but corners.
    bend = np.abs(np.diff(np.concatenate(missing), 4)).max()
    assert bend < 0.06 * np.abs(np.concatenate(missing)).max()


def test_ended_tails_fade_and_held_notes_stay() -> None:
    instrument, out = playing(6)
    for key in range(3):
        instrument.take((0x80, 40 + key, 0))
    instrument.render(out)
    assert instrument.end_tails() == 3
    for _ in range(4):
        instrument.render(out)
    assert instrument.sounding == 3
    assert instrument.ledger.accounts()["sounding"] == 3
    assert instrument.ledger.accounts()["released"] == 3
