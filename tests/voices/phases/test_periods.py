"""Periods: read as exactly as claimed at any place, and harmonic series as they are found."""

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support.measure import db
from voices.phases.harmonic_series import MOST, TOLERANCE, series_of
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


def found(ratios: list[float], numbers: list[int]) -> list[tuple[float, list[int], list[int]]]:
    series = series_of(np.array(ratios), np.array(numbers, float), np.arange(len(ratios)))
    return [(f, partials.tolist(), harmonics.tolist()) for f, partials, harmonics, _ in series]


def test_ranks_in_tune_with_each_other_are_one_series() -> None:
    """Footages of 16, 8 and 2 2/3 feet."""
    ratios = [0.5, 1.0, 1.5, 1.0, 2.0, 3.0, 3.0, 6.0]
    assert found(ratios, [1, 2, 3, 1, 2, 3, 1, 2]) == [
        (0.5, list(range(8)), [1, 2, 3, 2, 4, 6, 6, 12])
    ]


def test_a_rank_out_of_tune_is_another_series() -> None:
    assert found([1.0, 2.0, 1.01, 2.02], [1, 2, 1, 2]) == [
        (1.0, [0, 1], [1, 2]),
        (1.01, [2, 3], [1, 2]),
    ]


def test_a_stopped_pipe_has_the_odd_harmonics_of_one_series() -> None:
    assert found([1.0, 3.0, 5.0], [1, 2, 3]) == [(1.0, [0, 1, 2], [1, 3, 5])]


def test_more_ranks_out_of_tune_are_no_series() -> None:
    out_of_tune = [1.0 + 0.01 * each for each in range(MOST + 1)]
    assert not found(out_of_tune, [1] * len(out_of_tune))


@pytest.mark.parametrize(("error", "those"), [(0.2 * TOLERANCE, 1), (20 * TOLERANCE, 2)])
def test_a_ratio_is_a_multiple_within_rounding(error: float, those: int) -> None:
    assert len(found([1.0, 3.0 * (1.0 + error)], [1, 3])) == those
