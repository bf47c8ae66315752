"""A little of what `make fuzz` does for minutes."""

import pytest

from tests.support.fuzz_bytes import fuzz


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_random_bytes_break_nothing_on_their_way(seed: int) -> None:
    ledger = fuzz(40_000, seed).instrument.ledger
    assert ledger.received > 100
