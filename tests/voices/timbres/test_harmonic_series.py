"""Harmonic series: which partials are taken to be of one."""

import numpy as np
import pytest

from voices.timbres.harmonic_series import MOST, TOLERANCE, series_of


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
