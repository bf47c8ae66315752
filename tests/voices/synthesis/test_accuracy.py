"""The sound against the same music worked out in double precision, from the closed forms."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from tests.support.measure import db
from tests.support.playing import RATE, bend, control, off, on, play, sound
from voices.curves import controller_gain, pan_gains
from voices.instrument import Instrument
from voices.modulation.smoother import CONTROL_PERIOD, SMOOTHING_S

Wave = NDArray[np.float64]
LEVELS_DB = [-0.7 * place for place in range(32)]


def settings(polyphony: int = 16, **more: object) -> Settings:
    return Settings.model_validate({"polyphony": polyphony, "sound": {"name": "x"}, **more})


def closed_form(made: Sound, key: int, velocity: int, onset: int, key_up: int, frames: int) -> Wave:
    """Return one note in double precision: attack, decay, release, partials' own decays."""
    time = np.arange(frames) - onset
    seconds = time / RATE
    attack_s, sustain = made.envelope.attack_s, made.envelope.sustain
    decay = np.log(1000) / made.envelope.decay_s
    release = np.log(1000) / made.envelope.release_s

    def level(at: Wave) -> Wave:
        rise = (1 - np.cos(np.pi * np.clip(at / attack_s, 0, 1))) / 2
        fall = 1 - np.exp(-decay * np.maximum(at - attack_s, 0))
        return np.asarray(rise + (sustain - 1) * fall)

    held_s = (key_up - onset) / RATE
    envelope = np.where(
        seconds < held_s,
        level(seconds),
        level(np.array(held_s)) * np.exp(-release * np.maximum(seconds - held_s, 0)),
    )
    frequency = 440.0 * 2 ** ((key - 69) / 12)
    root = 10 ** (made.velocity.range_db / 40)
    offset = 127 / (126 * root) - 1 / 126
    gain = ((1 - offset) * velocity / 127 + offset) ** 2 * 10 ** (made.level_db / 20)
    gain *= controller_gain(100) * pan_gains(64)[0]
    tilt_db = made.velocity.tilt_db * (127 - velocity) / 126  # and below the key none
    wave = np.zeros(frames)
    decays = made.decays_s or (np.inf,) * len(made.ratios)
    for ratio, amplitude, phase, t60 in zip(
        made.ratios, made.levels, made.phases, decays, strict=True
    ):
        if frequency * ratio < RATE / 2:
            at_key = t60 * made.decay_per_octave ** ((key - 60) / 12)
            own = np.exp(-np.log(1000) / at_key * np.maximum(seconds, 0))
            own *= 10 ** (-tilt_db * max(np.log2(ratio), 0.0) / 20)
            wave += amplitude * own * np.sin(2 * np.pi * (frequency * ratio * seconds + phase))
    return wave * envelope * gain


def measured_against_closed_form(
    made: Sound, keys: Sequence[int], block_frames: int
) -> tuple[float, float]:
    """Return how far keys struck over one another are off, and the peak they should have."""
    touched = [(127, 777, 30_011), (90, 5_003, 20_000), (30, 9_999, 10_100), (64, 9_999, 39_000)]
    notes = [(key, *how) for key, how in zip(keys, touched, strict=False)]
    events = [on(start, key, velocity) for key, velocity, start, _ in notes]
    events += [off(end, key) for key, _, _, end in notes]
    frames = 40_960
    heard = play(events, frames, settings=settings(), block_frames=block_frames, sounds={"x": made})
    exact = sum(closed_form(made, *note, frames) for note in notes)
    return np.abs(heard[:, 0] - exact).max(), np.abs(exact).max()


@pytest.mark.parametrize("block_frames", [64, 1024])
@pytest.mark.parametrize(
    ("envelope", "partials"),
    [
        ({"attack_s": 0.001, "release_s": 0.05}, {}),
        ({"attack_s": 0.05, "decay_s": 0.4, "sustain": 0.3, "release_s": 0.5}, {}),
        ({"attack_s": 0.001, "decay_s": 2.0, "sustain": 0.0}, {"stretch": 0.0004}),
        ({"attack_s": 0.002}, {"decay_s": [2.0 / (1 + n) for n in range(32)]}),
    ],
)
def test_the_sound_is_within_a_millionth_of_double_precision(
    envelope: dict[str, float], partials: dict[str, Any], block_frames: int
) -> None:
    """From the closed forms; a millionth of the peak is -120 dB."""
    made = sound(LEVELS_DB, envelope=envelope, **partials)
    off_by, loudest = measured_against_closed_form(made, (45, 60, 77), block_frames)
    assert off_by < 1e-6 * loudest + 2e-8


ORGAN = {
    "footage": {"16'": -14.0, "8'": 0.0, "4'": -7.0, "2 2/3'": -18.0, "1 3/5'": -27.0, "1'": -24.0},
    "envelope": {"attack_s": 0.022, "decay_s": 0.5, "sustain": 0.9, "release_s": 0.18},
    "velocity": {"range_db": 12.0, "tilt_db": 1.5},
}
BELL = {
    "partials": {
        "ratio": [0.5, 1.0, 1.2, 1.5, 2.0, 2.66, 4.17],
        "level_db": [-7.0, -3.0, 0.0, -11.0, -1.0, -17.0, -11.0],
        "decay_s": [14.0, 8.0, 7.0, 4.5, 4.5, 2.5, 1.8],
        "decay_per_octave": 0.75,
        "phase": "low-crest",
    },
    "envelope": {"attack_s": 0.002, "release_s": 1.2},
    "velocity": {"range_db": 30.0, "tilt_db": 4.0},
}


@pytest.mark.parametrize("columns", [ORGAN, BELL])
def test_sounds_of_stops_and_of_one_column_are_the_sum_of_their_sines(
    columns: dict[str, Any],
) -> None:
    """To a millionth of the peak, touch and decay by the key included."""
    made = Sound.model_validate({"title": "X", "about": "X.", "level_db": -20.0, **columns})
    off_by, loudest = measured_against_closed_form(made, (48, 60, 77, 55), 64)
    assert off_by < 1e-6 * loudest


def beside(heard: NDArray[np.float32], pace: Wave) -> Wave:
    """Return what is heard beside a sine of so many cycles a frame, over its level; not the start.

    The phase is integrated in double precision.
    """
    turns = np.concatenate([[0.0], np.cumsum((pace[1:] + pace[:-1]) / 2)])[4_800:]
    columns = np.stack([np.sin(2 * np.pi * turns), np.cos(2 * np.pi * turns)])
    fitted, *_ = np.linalg.lstsq(columns.T, heard[4_800:], rcond=None)
    return np.asarray((heard[4_800:] - columns.T @ fitted) / np.hypot(*fitted))


def in_vibrato(depth_cents: float) -> NDArray[np.float32]:
    """Return a second of a partial of 4.4 kHz that swings six times a second."""
    return play(
        [control(0, 1, 127), on(64, 69)],
        RATE,
        settings=settings(vibrato={"rate_hz": 6.0, "depth_cents": depth_cents}),
        block_frames=128,
        sounds={"x": sound([0.0], ratio=[10.0], envelope={"attack_s": 0.001})},
    )[:, 0]


def test_vibrato_leaves_no_spur_above_75_db_below_a_partial_at_4400_hz() -> None:
    """Against a sine: ±50 cents at 6 Hz."""
    # A sine drawn straight from point to point of the grid has this much of its depth.
    drawn = np.sinc(6.0 * CONTROL_PERIOD / RATE) ** 2
    cents = 50.0 * drawn * np.sin(2 * np.pi * 6.0 * np.arange(RATE) / RATE)
    left = beside(in_vibrato(50.0), 4400.0 / RATE * 2 ** (cents / 1200))
    window = np.blackman(len(left))
    spurs = np.abs(np.fft.rfft(left * window)) * 2 / window.sum()
    assert db(float(spurs.max())) < -75.0


def test_a_partial_in_vibrato_follows_its_pitch_from_point_to_point() -> None:
    """The pitch runs straight over every cell; ±50 cents, and half an octave as an extreme."""
    grid = np.arange(0, RATE + CONTROL_PERIOD, CONTROL_PERIOD)
    swing = np.sin(2 * np.pi * 6.0 * grid / RATE)
    for depth_cents, below_db in ((50.0, -80.0), (600.0, -75.0)):
        points = 4400.0 / RATE * 2 ** (depth_cents * swing / 1200)
        left = beside(in_vibrato(depth_cents), np.interp(np.arange(RATE), grid, points))
        assert db(float(np.abs(left).max())) < below_db


def test_a_bend_glides_and_arrives() -> None:
    """The pitch after a bend of 200 cents, and no jump of the wave on the way."""
    made = sound([0.0], envelope={"attack_s": 0.001})
    heard = play(
        [on(0, 69), bend(RATE // 2, 8191)],
        RATE,
        settings=settings(),
        block_frames=64,
        sounds={"x": made},
    )[:, 0]
    peak = np.abs(heard[RATE // 4 :]).max()
    steps = np.abs(np.diff(heard[RATE // 4 :])).max()
    assert steps < 1.05 * peak * 2 * np.pi * 494.0 / RATE
    arrived = RATE // 2 + int(12 * SMOOTHING_S * RATE) + CONTROL_PERIOD
    crossings = np.flatnonzero(np.diff(np.signbit(heard[arrived:].astype(float))))
    measured = (len(crossings) - 1) / 2 / ((crossings[-1] - crossings[0]) / RATE)
    assert measured == pytest.approx(440 * 2 ** (199.976 / 1200), rel=1e-4)


def test_a_partial_that_a_bend_takes_across_nyquist_fades() -> None:
    """A partial at 23.5 kHz bent by a fifth: no jump larger than the tone's own steps."""
    made = sound([0.0, 0.0], ratio=[1.0, 23_500 / 440], envelope={"attack_s": 0.001})
    select = [control(0, 101, 0), control(0, 100, 0), control(0, 6, 12)]
    heard = play(
        [*select, on(64, 69), bend(RATE // 4, 4778), bend(RATE // 2, 0)],
        RATE,
        settings=settings(),
        block_frames=64,
        sounds={"x": made},
    )[:, 0].astype(float)
    bent = heard[RATE // 4 + 9_600 : RATE // 2]
    spectrum = np.abs(np.fft.rfft(bent * np.blackman(len(bent))))
    frequencies = np.arange(len(spectrum)) * RATE / len(bent)
    # Nothing folds back: with the upper partial gone only the lower one is left.
    lower = spectrum[frequencies < 1_000].max()
    assert db(float(spectrum[frequencies > 2_000].max() / lower)) < -100.0
    back = heard[RATE // 2 + 9_600 :]
    again = np.abs(np.fft.rfft(back * np.blackman(len(back))))
    assert again[np.arange(len(again)) * RATE / len(back) > 20_000].max() > 0.5 * again.max()


@pytest.mark.slow
@pytest.mark.parametrize(
    "made",
    [
        sound(LEVELS_DB, envelope={"attack_s": 0.001, "sustain": 0.0, "decay_s": 600.0}),
        sound(LEVELS_DB, envelope={"attack_s": 0.001}, decay_s=[0.02] * 16 + [600.0] * 16),
    ],
)
def test_hours_of_held_decaying_notes_leave_nothing_subnormal_or_infinite(made: Sound) -> None:
    """Two hours of them; at a low rate, since it is the time that takes the levels down."""
    rate, block = 8_000, 1024
    instrument = Instrument(settings(), sample_rate=rate, block_frames=block, sounds={"x": made})
    out = np.zeros((block, 2), np.float32)
    for key in (28, 40, 52):
        instrument.take((0x90, key, 127))
    smallest = np.finfo(np.float32).tiny
    for number in range(2 * 3600 * rate // block):
        instrument.render(out)
        if number % 16 == 0:
            assert np.isfinite(out).all()
            small = np.abs(out[out != 0.0])
            assert not (small < smallest).any()
    assert sum(instrument.ledger.accounts().values()) == 3
