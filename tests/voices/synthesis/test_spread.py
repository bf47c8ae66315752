"""Stretch and detuning by knobs, against sounds that are written with them."""

from random import Random
from typing import Any

import numpy as np
import pytest

from config.sound import Sound
from tests.support.measure import db, partial_level, peak
from tests.support.measure_sounds import part
from tests.support.playing import (
    RATE,
    Event,
    Recording,
    bend,
    control,
    off,
    on,
    play,
    program,
    settings_for,
)
from tests.support.receiver_player import Player
from tests.support.takes import perform_dry
from voices.curves import bipolar_map
from voices.modulation.smoother import CONTROL_PERIOD, SMOOTHING_S
from voices.timbres.harmonic_series import spreads_of

KEY, HZ, KNOB = 57, 220.0, 20
STIFF = {"control": KNOB, "target": "stretch"}
APART = {"control": KNOB, "target": "detuning"}


def sound(**rank: Any) -> Sound:
    """Return a sound of one rank that rises at once."""
    each = {"harmonics": 12, "slope_db": -3.0, **rank}
    return Sound.model_validate({"title": "T", "about": "T.", "ranks": [each]})


def column(**more: Any) -> Sound:
    """Return a sound with one column of partials."""
    partials = {"level_db": [0.0, -3.0, -6.0, -9.0, -12.0, -15.0, -18.0, -21.0], **more}
    return Sound.model_validate(
        {"title": "T", "about": "T.", "level_db": -20.0, "partials": partials}
    )


def played(made: Sound, *events: Event, **settings: Any) -> Recording:
    return perform_dry("spread", [*events, on(480, KEY, 100)], 1.5, made, **settings)


def same_db(one: Recording, other: Recording) -> float:
    return db(peak(one - other) / peak(other))


@pytest.mark.parametrize("make", [sound, column])
def test_a_knob_stretches_a_sound_as_its_file_could(make: Any) -> None:
    written = played(make(stretch=0.0005))
    turned = played(make(), control(0, KNOB, 127), bindings=[STIFF])
    assert same_db(turned, played(make())) > -10
    frequencies = [n * HZ * ((1 + 0.0005 * n * n) / (1 + 0.0005)) ** 0.5 for n in range(1, 9)]
    for hertz in frequencies:
        levels = [
            partial_level(part(each, 0.5, 1.5)[:, 0], RATE, hertz) for each in (turned, written)
        ]
        assert db(levels[0] / levels[1]) == pytest.approx(0.0, abs=0.1)


def test_a_note_of_a_stretched_sound_begins_and_goes_on_as_one_that_is_written_so() -> None:
    written, turned = (
        played(made, *moves, bindings=[STIFF])
        for made, moves in ((column(stretch=0.0005), []), (column(), [control(0, KNOB, 127)]))
    )
    assert same_db(turned, written) < -100


@pytest.mark.parametrize("binding", [STIFF, APART])
def test_once_a_knob_stands_no_voice_moves(binding: dict[str, Any]) -> None:
    player = Player(sound(pair={"cents": 10.0}), bindings=[binding])
    player.send("90 45 7F").wait(0.1).control(KNOB, 20).control(KNOB, 60).wait(0.05)
    assert player.instrument.moving
    assert not player.wait(0.2).instrument.moving


@pytest.mark.parametrize(("value", "cents"), [(0, 0.0), (64, 10.0), (127, 30.0)])
def test_a_knob_brings_ranks_into_unison_and_apart(value: int, cents: float) -> None:
    pair = {"level_db": -3.0, "cents": 10.0}
    turned = played(sound(pair=pair), control(0, KNOB, value), bindings=[APART])
    written = played(sound(pair={**pair, "cents": cents}))
    for number in (1, 4, 9):
        hertz = HZ * number * 2.0 ** (cents / 1200)
        assert same_level(turned, written, hertz) == pytest.approx(0.0, abs=0.7)


def same_level(one: Recording, other: Recording, hertz: float) -> float:
    found = [partial_level(part(each, 0.3, 1.5)[:, 0], RATE, hertz) for each in (one, other)]
    return db(found[0] / found[1])


def turning(rate_s: float) -> list[Event]:
    """Return a knob on its way there, and back to where it was."""
    steps = round(rate_s * RATE / 254)
    up = [control(6000 + n * steps, KNOB, n) for n in range(128)]
    return up + [control(6000 + (128 + n) * steps, KNOB, 127 - n) for n in range(128)]


@pytest.mark.parametrize("binding", [STIFF, APART])
@pytest.mark.parametrize("frames", [32, 64, 256])
def test_a_spread_sound_does_not_depend_on_the_block(binding: dict[str, Any], frames: int) -> None:
    pair = {"level_db": -3.0, "cents": 10.0}
    events = [
        *(on(480, KEY, 100), on(7000, 64, 100), on(9001, 40, 100)),
        *turning(0.3),
        bend(11_000, 8191),
        bend(15_000, 0),
        on(20_000, 70, 100),
    ]
    takes = [
        play(
            events,
            32_768,
            block_frames=each,
            sounds={"spread": sound(pair=pair, width=0.5)},
            settings=settings_for("spread", bindings=[binding], room={"level_db": -80.0}),
        )
        for each in (1024, frames)
    ]
    assert same_db(takes[1], takes[0]) < -90


def test_some_voices_are_spread_and_then_all_of_them() -> None:
    """Channel 1 has vibrato from its wheel, channel 2 is spread: they come and go as moving."""
    settings = settings_for("spread", bindings=[APART], room={"level_db": -80.0})
    made = sound(pair={"level_db": -3.0, "cents": 10.0})
    events = [on(480, key, 100, channel=key > KEY) for key in (KEY, 64, 69)]
    events += [control(2000, KNOB, 100, channel=1)]
    events += [control(9000, 1, 80), control(15_000, 1, 0), control(22_000, 1, 60)]
    events += [control(26_000, KNOB, 64, channel=1), control(30_000, 1, 0)]
    takes = [
        play(events, 40_960, block_frames=each, sounds={"spread": made}, settings=settings)
        for each in (1024, 64)
    ]
    assert same_db(takes[1], takes[0]) < -90


def at_random(seed: int, count: int) -> list[Event]:
    """Return keys, bends, vibrato, knobs and other sounds on three channels."""
    chance, at, events = Random(seed), 0, list[Event]()
    for _ in range(count):
        at += chance.randrange(1200)
        channel, value = chance.randrange(3), chance.randrange(128)
        events.append(
            chance.choice(
                (
                    *[on(at, chance.randrange(36, 96), 1 + value // 2, channel=channel)] * 3,
                    off(at, chance.randrange(36, 96), channel=channel),
                    bend(at, chance.randrange(-8192, 8191), channel=channel),
                    control(at, chance.choice((1, KNOB, 21, 22, 64)), value, channel=channel),
                    control(at, chance.choice((KNOB, 21)), 64 * (value % 2), channel=channel),
                    program(at, chance.randrange(3), channel=channel),
                )
            )
        )
    return events


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 3])
def test_what_is_spread_among_bends_vibrato_and_zones_does_not_depend_on_the_block(
    seed: int,
) -> None:
    bindings = [STIFF, {"control": 21, "target": "detuning"}, {"control": 22, "target": "tilt"}]
    settings = settings_for(
        *("market-organ", "sine", "tower-bell"),
        **{"bindings": bindings, "polyphony": 8, "level": {"volume_db": -30.0}},
        zones=[{"keys": [0, 70]}, {"keys": [60, 127], "sound": "string-celeste", "octave": -1}],
    )
    events = at_random(seed, 120)
    takes = [play(events, 65_536, settings=settings, block_frames=each) for each in (1024, 64)]
    assert np.isfinite(takes[0]).all()
    assert same_db(takes[1], takes[0]) < -90


def test_notes_leap_that_are_left_when_a_spread_one_has_gone() -> None:
    settings = settings_for("spread", bindings=[STIFF], room={"level_db": -80.0})
    events = [on(480, key, 100) for key in (40, KEY, 64)]
    leap = [bend(30_000, 8191), bend(30_100, -8192)]
    gone = [control(0, KNOB, 127, channel=1), on(480, 70, 100, channel=1), off(5000, 70, channel=1)]
    takes = [
        play([*events, *more, *leap], 40_960, sounds={"spread": sound()}, settings=settings)[
            24_576:
        ]
        for more in (gone, [])
    ]
    assert same_db(*takes) < -90


def test_a_turned_knob_makes_no_click_in_held_notes() -> None:
    """Nothing is above the highest partial but what its own turning puts there."""
    made = sound(harmonics=4, pair={"level_db": -3.0, "cents": 10.0})
    settings = settings_for("spread", bindings=[APART], room={"level_db": -80.0})
    events = [on(480, KEY, 100), *turning(0.5)]
    audio = play(events, 48_000, sounds={"spread": made}, settings=settings)
    high = np.abs(np.fft.rfft(part(audio, 0.1, 0.9)[:, 0] * np.hanning(round(0.8 * RATE))))
    assert db(high[round(3000 * 0.8) :].max() / high.max()) < -85


def stretch_at_points(moves: list[Event], frames: int) -> np.ndarray[Any, Any]:
    """Return where the knob has the stretch at every control point: that is its definition."""
    targets = {at: bipolar_map(message.value, 0.0, 0.0005) for at, message in moves}
    share = 1.0 - np.exp(-CONTROL_PERIOD / (SMOOTHING_S * RATE))
    values, target = [0.0], 0.0
    for point in range(0, frames, CONTROL_PERIOD):
        due = [at for at in targets if at <= point]
        target = targets[max(due)] if due else target
        values.append(values[-1] + (target - values[-1]) * share)
    return np.array(values)


@pytest.mark.parametrize("frames", [64, 128, 512])
def test_partials_follow_the_integral_of_a_stretch_that_turns(frames: int) -> None:
    """What is left when sines of exactly those phases are taken out, as well as they fit."""
    moves, length = turning(0.6)[:128], 24_576
    settings = settings_for("spread", bindings=[STIFF], room={"level_db": -80.0})
    made = sound(harmonics=24)
    events = [on(480, KEY, 100), *moves]
    audio = play(events, length, sounds={"spread": made}, settings=settings, block_frames=frames)
    at = stretch_at_points(moves, length)
    whole = np.concatenate([[0.0], np.cumsum((at[1:] + at[:-1]) / 2 * CONTROL_PERIOD)])
    n = np.arange(9000, 20_000)
    period, into = np.divmod(n, CONTROL_PERIOD)
    slope = np.diff(at)[period] / CONTROL_PERIOD
    turned = whole[period] + into * (at[period] + slope * into / 2)
    numbers = np.arange(1.0, 25.0)
    shares = spreads_of(numbers, 0.0)[0]
    phases = 2 * np.pi * HZ / RATE * numbers[:, None] * (n + shares[:, None] * turned)
    waves = np.concatenate([np.cos(phases), np.sin(phases)]).T
    heard = audio[n, 0].astype(np.float64)
    fitted = waves @ np.linalg.lstsq(waves, heard, rcond=None)[0]
    assert db(peak(heard - fitted) / peak(heard)) < -100
