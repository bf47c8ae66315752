"""Periods: read as exactly as claimed, at any place."""

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support.measure import db
from voices.phases.periods import MOST_NODES, PeriodReader, Periods, PeriodStore

Array = NDArray[np.float64]
CLAIMED_DB = -98.0
FRAMES = 64


def read(periods: Periods, places: list[int], cycles: Array, slopes: Array) -> Array:
    """Return what periods are from these cycles on, with these slopes a frame, (Z, L, T)."""
    reader = PeriodReader()
    lines = np.stack([cycles, slopes], axis=1) * periods.nodes
    along = np.array([np.ones(FRAMES), np.arange(FRAMES)])
    origins = np.array(places).repeat(FRAMES) * MOST_NODES
    reader.locate(lines, along, periods.nodes, origins)
    heard = np.array([reader.read(side).copy() for side in periods.sides])
    return heard.reshape(len(heard), -1, FRAMES)


@pytest.mark.parametrize("harmonics", [1, 4, 28, 32, 44, 64, 85])
def test_a_period_is_read_as_the_sum_of_its_harmonics_anywhere(harmonics: int) -> None:
    chance = np.random.default_rng(harmonics)
    periods = Periods(harmonics, 2, PeriodStore(3))
    spectra = chance.standard_normal((3, 2, harmonics, 2)).view(np.complex128)[..., 0]
    for place, spectrum in enumerate(spectra):
        for side, each in enumerate(spectrum.astype(np.complex64)):
            periods.write(place, side, each)
    cycles, slopes = chance.uniform(0.0, 1e6, 3), chance.uniform(0.0, 0.02, 3)
    heard = read(periods, [2, 0, 1], cycles, slopes)
    turns = (cycles[:, None] + slopes[:, None] * np.arange(FRAMES))[..., None]
    turned = np.exp(2j * np.pi * (turns * np.arange(1, harmonics + 1) % 1.0))
    for line, place in enumerate([2, 0, 1]):
        wanted = (turned[line] @ spectra[place].T).real.T
        highest = np.abs(spectra[place][:, -1:]).max() * np.sqrt(harmonics)
        assert db(float(np.abs(heard[:, line] - wanted).max() / highest)) < CLAIMED_DB


def test_beside_the_highest_harmonic_the_error_is_as_claimed() -> None:
    """With as few nodes a harmonic as there are."""
    periods = Periods(4, 1, PeriodStore(1))
    highest = periods.harmonics
    spectrum = np.zeros(highest, np.complex64)
    spectrum[-1] = 1.0
    periods.write(0, 0, spectrum)
    heard = read(periods, [0], np.zeros(1), np.array([0.011]))
    wanted = np.cos(2 * np.pi * highest * 0.011 * np.arange(FRAMES))
    assert CLAIMED_DB - 6.0 < db(float(np.abs(heard[0] - wanted).max())) < CLAIMED_DB
