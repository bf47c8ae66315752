"""The limiter: nothing above the ceiling, nothing below it changed, nothing but numbers."""

import numpy as np
import pytest

from voices.output.limiter import Limiter

CEILING = 0.5


def tone(level: float, frames: int = 4096) -> np.ndarray:
    wave = level * np.sin(2 * np.pi * 0.013 * np.arange(frames))
    return np.stack([wave, 0.5 * wave]).astype(np.float32)


def limited(sides: np.ndarray, block: int) -> np.ndarray:
    limiter = Limiter(CEILING, 48_000, block)
    blocks = [sides[:, start : start + block].copy() for start in range(0, sides.shape[1], block)]
    for each in blocks:
        peaks = limiter.limit(each)
        assert peaks == tuple(np.abs(each).max(axis=1).tolist())
    return np.concatenate(blocks, axis=1)


def test_below_the_ceiling_nothing_is_changed() -> None:
    assert np.array_equal(limited(tone(CEILING), 64), tone(CEILING))


@pytest.mark.parametrize("block", [32, 64, 1024])
def test_no_sample_passes_the_ceiling_and_blocks_of_all_lengths_are_alike(block: int) -> None:
    loud = tone(3.0)
    out = limited(loud, block)
    assert np.abs(out).max() <= np.float32(CEILING)
    assert np.allclose(out, limited(loud, 4096), atol=1e-6)
    # Both sides have one gain: the quieter keeps its place.
    assert np.allclose(out[1], 0.5 * out[0], atol=1e-6)


def test_the_gain_falls_before_the_first_loud_frame_and_recovers_slowly() -> None:
    steady = np.full((2, 9600), 0.4, np.float32)
    steady[:, 640] = 2.0
    out = limited(steady, 64)[0]
    assert out[640] == pytest.approx(CEILING)
    assert np.abs(np.diff(np.delete(out, 640))).max() < 0.4 * 0.75 + 1e-6
    recovery = (0.4 - out[700:9600]) / 0.4
    seconds = -1 / np.polyfit(np.arange(8900) / 48_000, np.log(recovery), 1)[0]
    assert seconds == pytest.approx(0.2, rel=0.05)


def test_what_is_held_above_the_ceiling_stays_there_without_a_ripple() -> None:
    out = limited(np.full((2, 4096), 2.0, np.float32), 128)[0]
    assert np.allclose(out[32:], CEILING, atol=1e-6)


@pytest.mark.parametrize("level", [0.3, 2.0, 1e4])
def test_no_peak_of_noise_passes_the_ceiling_by_a_rounding(level: float) -> None:
    noise = level * np.random.default_rng(5).standard_normal((2, 48_000))
    out = limited(noise.astype(np.float32), 64)
    assert np.abs(out).max() <= np.float32(CEILING)
    assert np.abs(out).max() > 0.999 * CEILING


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_block_that_is_not_finite_is_silence_and_the_next_one_is_as_it_was(bad: float) -> None:
    limiter = Limiter(CEILING, 48_000, 64)
    block = tone(0.4, 64)
    block[1, 17] = bad
    assert limiter.limit(block) == (0.0, 0.0)
    assert not block.any()
    after = tone(0.4, 64)
    limiter.limit(after)
    assert np.array_equal(after, tone(0.4, 64))
