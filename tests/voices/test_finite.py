"""Nothing but numbers leaves the instrument, and what is broken in one voice ends with it."""

from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from tests.support.playing import sound
from voices.instrument import Instrument

RATES = (22_050, 32_000, 44_100, 48_000, 96_000, 192_000)
BLOCKS = (32, 64, 128, 256, 512, 1024)
Block = NDArray[np.float32]


def within(low: float, high: float) -> st.SearchStrategy[float]:
    """Return numbers of a field, its bounds often."""
    return st.sampled_from([low, high]) | st.floats(low, high)


def one_or(values: st.SearchStrategy[float], count: int) -> st.SearchStrategy[Any]:
    return values | st.lists(values, min_size=count, max_size=count)


def pair_or(values: st.SearchStrategy[float]) -> st.SearchStrategy[Any]:
    return values | st.lists(values, min_size=2, max_size=2)


LEVELS, RATIOS, DECAYS = within(-120.0, 24.0), within(0.01, 1000.0), within(0.02, 600.0)


@st.composite
def columns(draw: st.DrawFn) -> dict[str, Any]:
    """Return a table of partials."""
    count = draw(st.integers(1, 12))
    table: dict[str, Any] = {
        "ratio": draw(st.lists(RATIOS, min_size=count, max_size=count)),
        "level_db": draw(one_or(LEVELS, count)),
        "phase": draw(st.sampled_from(["sine", "low-crest"])),
        "decay_per_octave": draw(within(0.1, 2.0)),
        "stretch": draw(within(0.0, 0.1)),
    }
    if draw(st.booleans()):
        table["decay_s"] = draw(one_or(DECAYS, count))
    return table


@st.composite
def ranks(draw: st.DrawFn) -> dict[str, Any]:
    """Return a rank of up to 32 partials."""
    rank: dict[str, Any] = {
        "ratio": draw(RATIOS),
        "level_db": draw(LEVELS),
        "harmonics": draw(st.integers(1, 4)),
        "slope_db": draw(pair_or(within(-48.0, 24.0))),
        "even_db": draw(within(-80.0, 24.0)),
        "contact": draw(within(0.0, 0.5)),
        "floor_db": draw(within(-80.0, 0.0)),
        "stretch": draw(within(0.0, 0.1)),
        "cents": draw(within(-100.0, 100.0)),
        "beats_hz": draw(within(-20.0, 20.0)),
        "voices": draw(st.integers(1, 2)),
        "spread_cents": draw(within(0.0, 100.0)),
        "pan": draw(pair_or(within(-1.0, 1.0))),
        "width": draw(within(0.0, 1.0)),
        "decay_s": draw(pair_or(DECAYS)),
        "rise_s": draw(pair_or(within(0.001, 20.0))),
        "release_s": draw(pair_or(DECAYS)),
        "keys": {
            "level_db": draw(within(-24.0, 24.0)),
            "slope_db": draw(within(-12.0, 12.0)),
            "decay": draw(within(0.1, 2.0)),
            "rise": draw(within(0.1, 2.0)),
            "stretch": draw(within(0.1, 10.0)),
        },
    }
    if draw(st.booleans()):
        hz, level_db, width_hz = within(20.0, 2e4), within(-80.0, 40.0), within(5.0, 1e4)
        formant = {"hz": draw(hz), "level_db": draw(level_db), "width_hz": draw(width_hz)}
        rank["formants"] = [formant]
    if draw(st.booleans()):
        rank["pair"] = {
            "beats_hz": draw(within(-20.0, 20.0)),
            "cents": draw(within(-100.0, 100.0)),
            "level_db": draw(within(-60.0, 12.0)),
            "longer": draw(within(0.05, 20.0)),
        }
    return rank


@st.composite
def noises(draw: st.DrawFn) -> dict[str, Any]:
    low = draw(within(0.01, 900.0))
    return {
        "ratio": [low, low * draw(within(1.01, 1.1))],
        "partials": draw(st.integers(4, 8)),
        "level_db": draw(within(-80.0, 0.0)),
        "slope_db": draw(within(-48.0, 24.0)),
        "rise_s": draw(within(0.001, 20.0)),
        "decay_s": draw(pair_or(DECAYS)),
        "touch_db": draw(within(0.0, 40.0)),
    }


@st.composite
def sounds(draw: st.DrawFn) -> Sound:
    made: dict[str, Any] = {
        "title": "Any",
        "about": "Any sound that its rules accept.",
        "level_db": draw(within(-80.0, 24.0)),
        "envelope": {
            "attack_s": draw(within(0.001, 20.0)),
            "decay_s": draw(DECAYS),
            "sustain": draw(within(0.0, 1.0)),
            "release_s": draw(DECAYS),
        },
        "velocity": {"range_db": draw(within(0.0, 60.0)), "tilt_db": draw(within(0.0, 12.0))},
        "spread": draw(within(-1.0, 1.0)),
        "effort": {"swell_db": draw(within(0.0, 12.0))},
    }
    if draw(st.booleans()):
        made["partials"] = draw(columns())
    else:
        made["ranks"] = draw(st.lists(ranks(), min_size=1, max_size=3))
        for noise in ("onset_noise", "release_noise"):
            if draw(st.booleans()):
                made[noise] = draw(noises())
    return Sound.model_validate(made)


STEEP = sound([0.0, -6.0], decay_s=0.3, decay_per_octave=0.1)
"""Without a bound its partials decay by 1,000 nepers a frame on the highest key."""


@pytest.mark.slow
@given(
    made=sounds(),
    key=st.integers(0, 127),
    rate=st.sampled_from(RATES),
    block=st.sampled_from(BLOCKS),
    onset=st.floats(0.0, 1.0),
    controls=st.lists(
        st.tuples(st.sampled_from([1, 7, 11, 70, 71, 72, 73, 74, 75]), st.integers(0, 127)),
        max_size=3,
    ),
    bend=st.sampled_from([0, 64, 127]),
)
@example(STEEP, 127, 48_000, 1024, 1.0, [], 64)
@example(STEEP, 127, 22_050, 1024, 1.0, [(1, 127)], 127)
@example(STEEP, 127, 48_000, 64, 0.9, [], 64)
@settings(
    max_examples=60,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
def test_any_sound_is_finite_on_any_key_at_any_rate_from_any_frame(
    made: Sound,
    key: int,
    rate: int,
    block: int,
    onset: float,
    controls: list[tuple[int, int]],
    bend: int,
) -> None:
    instrument = Instrument(
        Settings.model_validate({"sound": {"name": "x"}, "polyphony": 2}),
        sample_rate=rate,
        block_frames=block,
        sounds={"x": made},
    )
    out = np.zeros((block, 2), np.float32)
    for number, value in controls:
        instrument.take((0xB0, number, value))
    instrument.take((0x90, key, 127), round(onset * (block - 1)))
    for number in range(8):
        if number == 2:
            instrument.take((0xE0, 0, bend), block // 2)
        if number == 5:
            instrument.take((0x80, key, 64), block // 3)
        instrument.render(out)
        assert np.isfinite(out).all()
        assert np.abs(out).max() <= 1.0
    assert instrument.ledger.accounts()["cut"] == 0


@pytest.mark.parametrize("vibrato", [0, 127])
def test_a_voice_that_is_not_a_number_is_dropped_and_counted_and_the_others_play_on(
    vibrato: int,
) -> None:
    def play(*keys: int) -> tuple[Instrument, Block]:
        chosen = {"sound": {"name": "flat64"}, "polyphony": 4, "room": {"level_db": -10.0}}
        instrument = Instrument(
            Settings.model_validate(chosen), sample_rate=48_000, block_frames=128
        )
        out = np.zeros((128, 2), np.float32)
        instrument.take((0xB0, 1, vibrato))
        for key in keys:
            instrument.take((0x90, key, 100))
        for _ in range(20):
            instrument.render(out)
        return instrument, out

    broken, out = play(60, 72)
    (bank,) = [bank for bank in broken._pool.banks.values() if bank.count]
    arrays = bank.arrays
    for of_the_first in (arrays.state, arrays.turned, arrays.cycles):
        of_the_first[0] = np.nan
    whole, wanted = play(72)
    for _ in range(200):
        broken.render(out)
        whole.render(wanted)
        assert np.abs(out - wanted).max() < 1e-5
    assert broken.sounding == 1
    accounts = broken.ledger.accounts()
    assert (accounts["cut"], accounts["sounding"]) == (1, 1)
    assert broken.ledger.notes[0].detail == "its sound was not a number"
