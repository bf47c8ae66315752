"""Reading between samples: as exact as claimed at every place, for every tone within the band."""

import numpy as np
import pytest

from voices.phases.reading_kernel import Kernel, kernels

MOST_DB = -125.0


@pytest.mark.parametrize("kernel", kernels(), ids=lambda each: f"{each.taps} taps")
def test_a_tone_within_the_band_is_read_as_it_is_between_its_samples(kernel: Kernel) -> None:
    fractions = np.linspace(0.0, 1.0, 257)
    places = np.arange(kernel.taps) - kernel.before
    angles = 2 * np.pi * np.linspace(0.0, kernel.band, 601)[:, None]
    taps = fractions[:, None] ** np.arange(len(kernel.coefficients)) @ kernel.coefficients
    error = np.exp(1j * angles * places) @ taps.T - np.exp(1j * angles * fractions)
    assert 20 * np.log10(np.abs(error).max()) < MOST_DB
