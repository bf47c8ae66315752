"""Partials that have died away in every note of a bank: they are no longer rendered."""

import numpy as np

from tests.support.playing import RATE, bend, off, on, perform, settings_for, sound
from voices.instrument import Instrument
from voices.synthesis.bank import Bank

FLEETING = sound([0.0] * 12, decay_s=[600.0] * 4 + [0.1] * 8)
"""Twelve partials, of which eight are gone after a third of a second."""


def held() -> tuple[Instrument, Bank]:
    """Return an instrument that has held a note for a second, and the bank it sounds in."""
    instrument = Instrument(
        settings_for("fleeting"),
        sample_rate=RATE,
        block_frames=64,
        sounds={"fleeting": FLEETING},
    )
    perform(instrument, 64, [on(0, 60)], RATE)
    (bank,) = [bank for bank in instrument._pool.banks.values() if bank.count]
    return instrument, bank


def test_they_cost_nothing_until_the_next_note() -> None:
    instrument, bank = held()
    assert (bank.partials, bank.audible_partials) == (12, 4)
    perform(instrument, 64, [on(0, 64)], 64)
    assert bank.audible_partials == 12
    perform(instrument, 64, [], RATE)
    assert bank.audible_partials == 4


def test_the_next_note_sounds_as_the_first_did_and_the_held_one_goes_on() -> None:
    both = perform(held()[0], 64, [on(0, 72)], RATE // 2)
    one = perform(held()[0], 64, [], RATE // 2)
    fresh = Instrument(
        settings_for("fleeting"),
        sample_rate=RATE,
        block_frames=64,
        sounds={"fleeting": FLEETING},
    )
    other = perform(fresh, 64, [on(0, 72)], RATE // 2)
    assert np.abs(both - one - other).max() < 1e-6 * np.abs(other).max()


def test_they_stay_silent_when_the_note_is_bent_and_let_go() -> None:
    instrument, bank = held()
    perform(instrument, 64, [bend(0, 4000), bend(4800, 0)], RATE // 2)
    assert bank.audible_partials == 4
    perform(instrument, 64, [off(0, 60)], RATE)
    assert bank.count == 0
