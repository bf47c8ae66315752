"""Scratch memory: there once for all banks, however many there are."""

import numpy as np

from config.settings import Settings
from voices.instrument import Instrument
from voices.phases.scratch import Scratch


def test_a_smaller_bank_works_in_the_memory_of_a_larger_one() -> None:
    scratch = Scratch(64, 1.2)
    for room in (scratch.narrow, scratch.left):
        large, small = room(6, 2, 4, 12), room(3, 2, 4, 8)
        assert (large.shape, small.shape) == ((6, 2, 4, 12), (3, 2, 4, 8))
        assert np.shares_memory(large, small)


def test_a_larger_bank_takes_nothing_from_one_that_is_there() -> None:
    scratch = Scratch(64, 1.2)
    small = scratch.left(3, 2, 4, 8)
    large = scratch.left(6, 2, 4, 12)
    assert not np.shares_memory(small, large)
    assert not np.shares_memory(scratch.left(6, 2, 4, 12), scratch.narrow(6, 2, 4, 12))


def test_all_banks_of_an_instrument_have_one_scratch() -> None:
    instrument = Instrument(Settings(), sample_rate=48_000, block_frames=64)
    banks = list(instrument._pool.banks.values())
    assert len(banks) > 10
    assert len({bank._warped._reader for bank in banks}) == 1
    assert len({bank._resting._scratch for bank in banks}) == 1
