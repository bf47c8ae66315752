"""Tests of what is kept of the spectra at onsets."""

import numpy as np

from config.library import shipped
from voices.phases.onset_spectrum import OldestFirst, Onsets, OnsetSpectrum
from voices.timbres.voicing import Voicing

BYTES = 4 * 8 + 4 * 4
"""Of four partials on one side."""


def _struck() -> list[OnsetSpectrum]:
    return [OnsetSpectrum(np.ones((1, 1, 4), np.complex64), 0, np.ones(4, np.float32), 0.0)]


def test_a_note_struck_again_alike_begins_with_what_is_kept() -> None:
    timbre = Voicing(shipped()["market-organ"], 48_000).timbres(60)[0]
    assert timbre.spectrum(100, 1) is timbre.spectrum(100, 1)


def test_the_oldest_goes_first_whichever_timbre_it_belongs_to() -> None:
    store = OldestFirst(3 * BYTES)
    one: Onsets = {}
    other: Onsets = {}
    for onsets, velocity in ((one, 1), (other, 2), (one, 3), (other, 4), (other, 5)):
        store.keep(onsets, velocity, _struck())
    assert (sorted(one), sorted(other)) == ([3], [4, 5])


def test_however_many_are_struck_all_timbres_together_keep_no_more_than_they_may() -> None:
    store = OldestFirst(100 * BYTES)
    timbres: list[Onsets] = [{} for _ in range(50)]
    for velocity in range(1, 128):
        for onsets in timbres:
            store.keep(onsets, velocity, _struck())
            assert sum(map(len, timbres)) <= 100
    assert sum(map(len, timbres)) == 100


def test_what_is_larger_than_all_that_may_be_kept_is_not_kept() -> None:
    onsets: Onsets = {}
    OldestFirst(BYTES - 1).keep(onsets, 64, _struck())
    assert not onsets
