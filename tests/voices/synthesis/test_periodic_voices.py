"""Harmonic voices in motion, beside such a hair out of their series, which are not read."""

from itertools import count, pairwise
from random import Random
from typing import Any

import numpy as np
import pytest

from config.settings import Settings
from config.sound import Sound
from tests.support.measure import db, peak
from tests.support.playing import RATE, Event, Recording, bend, control, off, on, perform
from voices.instrument import Instrument
from voices.modulation.vibrato_lfo import LONGEST_BLOCK
from voices.phases.phasor_tables import FADE_START
from voices.phases.scratch import PLACES
from voices.synthesis.drawn_periods import DRAWN_IN

SPAN = 30 * LONGEST_BLOCK
READ = DRAWN_IN + 2 * LONGEST_BLOCK
"""By then the periods of what has been in vibrato since the start are read."""
KEYS = range(40, 46)
VIBRATO = control(0, 1, 127)
HARMONIC = {"harmonics": 16, "slope_db": -3.0}
BESIDE = {**HARMONIC, "footage": "4'", "cents": 7.0, "level_db": -6.0, "pan": 0.6}
SUNG = {"harmonics": 12, "formants": [{"hz": 700.0, "width_hz": 90.0}], "footage": "16'"}
SOUNDS: list[list[dict[str, Any]]] = [[HARMONIC], [HARMONIC, BESIDE], [SUNG, HARMONIC]]
KNOB = 20
MOST_DB = -92.0
COARSE_DB = -80.0
"""In glides, and near Nyquist, the others are no more exact."""


def instrument(ranks: list[dict[str, Any]], block_frames: int = 64, **settings: Any) -> Instrument:
    envelope = {"attack_s": 0.001, "release_s": 0.02}
    made = {"title": "T", "about": "T.", "level_db": -30.0, "ranks": ranks, "envelope": envelope}
    return Instrument(
        Settings.model_validate(
            {
                **{"polyphony": 48, "sound": {"name": "x"}, "room": {"level_db": -80}},
                **{"vibrato": {"rate_hz": 6.0, "depth_cents": 50.0}, **settings},
            }
        ),
        sample_rate=RATE,
        block_frames=block_frames,
        sounds={"x": Sound.model_validate(made)},
    )


def out_of_series(ranks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the same ranks, so little stiff that after an hour nobody could hear it."""
    return [{**rank, "stretch": 1e-12} for rank in ranks]


def read_voices(playing: Instrument) -> int:
    """Return of how many voices the periods were there by the last block."""
    banks = playing._pool.banks.values()
    return sum(each.due < playing.frame for bank in banks for each in bank._drawn.of.values())


def same(
    ranks: list[dict[str, Any]], events: list[Event], block_frames: int = 64, **settings: Any
) -> tuple[float, list[int]]:
    """Return how far what is read is from what is not, in dB, and how many voices are, by block."""
    read = list[int]()
    playing = instrument(ranks, block_frames, **settings)
    heard = perform(playing, block_frames, events, SPAN, lambda: read.append(read_voices(playing)))
    others = instrument(out_of_series(ranks), block_frames, **settings)
    wanted = perform(others, block_frames, events, SPAN)
    assert read_voices(others) == 0
    assert peak(wanted) > 1e-3
    return db(peak(heard - wanted) / peak(wanted)), read


def chord(channel: int = 0) -> list[Event]:
    return [on(0, key, 100, channel) for key in KEYS]


@pytest.mark.parametrize("ranks", SOUNDS)
@pytest.mark.parametrize("block_frames", [32, 64, 256, 1024])
def test_voices_in_vibrato_are_read_and_sound_the_same(
    ranks: list[dict[str, Any]], block_frames: int
) -> None:
    events = [VIBRATO, *chord(), bend(READ, 5000), bend(READ + 5000, -8192)]
    error, read = same(ranks, events, block_frames)
    assert read[-1] == len(KEYS)
    assert error < MOST_DB


def test_notes_that_move_each_for_itself_are_read_together() -> None:
    events = [on(0, 40 + channel, 100, channel) for channel in range(8)]
    for channel in range(8):
        events += [control(0, 1, 100, channel), bend(READ + 300 * channel, 900 * channel, channel)]
    error, read = same([HARMONIC], events)
    assert read[-1] == 8
    assert error < MOST_DB


def test_glides_and_wide_bends_are_followed() -> None:
    wide = [control(0, 101, 0), control(0, 100, 0), control(0, 6, 24)]
    events = [*wide, VIBRATO, *chord(), bend(READ, 8191), bend(READ + 2000, -8192)]
    error, read = same([{**HARMONIC, "harmonics": 8}], events)
    assert read[-1] == len(KEYS)
    assert error < COARSE_DB


def test_a_spectrum_that_changes_is_not_read_until_it_stands() -> None:
    events = [VIBRATO, *chord(), control(READ, 74, 100), control(READ + 300, 74, 30)]
    error, read = same(SOUNDS[1], events)
    at = READ // 64
    assert read[at - 1] == read[-1] == len(KEYS)
    assert 0 in read[at:]
    assert error < MOST_DB


def test_a_stretch_that_has_come_and_gone_leaves_partials_out_of_step() -> None:
    events = [VIBRATO, *chord(), control(READ, KNOB, 127), control(READ + 2000, KNOB, 0)]
    events += [off(8 * LONGEST_BLOCK, 40), on(8 * LONGEST_BLOCK + 2000, 40, 100)]
    error, _ = same([HARMONIC], events, bindings=[{"control": KNOB, "target": "stretch"}])
    assert error < MOST_DB


def test_a_noise_that_dies_away_is_over_before_a_voice_is_read() -> None:
    noise = {"harmonics": 4, "decay_s": 0.03, "level_db": -12.0, "ratio": 2.6}
    error, read = same([HARMONIC, noise], [VIBRATO, *chord()])
    assert read[-1] == len(KEYS)
    _, alone = same([HARMONIC], [VIBRATO, *chord()])
    assert read.index(len(KEYS)) > alone.index(len(KEYS))
    assert error < MOST_DB


def test_what_is_bent_beyond_nyquist_is_not_read() -> None:
    key = 79
    assert 16 * 440.0 * 2 ** ((key - 69) / 12) * 2 ** (200 / 1200) > 0.5 * FADE_START * RATE
    ranks = [{"harmonics": 30, "slope_db": 0.0}]
    error, _ = same(ranks, [VIBRATO, on(0, key), bend(READ, 8191), bend(READ + 3000, 0)])
    assert error < COARSE_DB


def test_more_periods_than_there_is_room_for_are_drawn_for_the_first() -> None:
    keys = range(30, 30 + PLACES // 2 + 6)
    error, read = same(SOUNDS[1], [VIBRATO, *(on(0, key, 60) for key in keys)])
    assert read[-1] == PLACES // 2
    assert error < MOST_DB


def test_voices_that_end_leave_room_for_others() -> None:
    events = [VIBRATO]
    strikes = range(0, SPAN, SPAN // 3)
    ends = [begin + READ - 900 for begin in strikes]
    for begin, end in zip(strikes, ends, strict=True):
        events += [on(begin, key) for key in range(40, 70)]
        events += [off(end, key) for key in range(40, 70)]
    error, read = same(SOUNDS[1], events)
    assert [read[end // 64] for end in ends] == [30, 30, 30]
    assert error < MOST_DB


def test_notes_that_end_before_their_periods_are_drawn_leave_nothing_to_draw() -> None:
    """However long nothing sounds then."""
    events = [VIBRATO, *chord(), *(off(LONGEST_BLOCK + 200, key) for key in KEYS)]
    events += [on(16 * LONGEST_BLOCK, key, 100) for key in KEYS]
    error, read = same(SOUNDS[1], events)
    assert 0 in read[: 16 * 16]
    assert read[-1] == len(KEYS)
    assert error < MOST_DB


def test_voices_that_rest_and_move_again_go_on_where_they_were() -> None:
    still = [control(READ + 2 * SPAN * each, 1, 0) for each in range(2)]
    again = [control(READ + SPAN + 2 * SPAN * each, 1, 127) for each in range(2)]
    playing, others = (instrument(ranks) for ranks in (SOUNDS[1], out_of_series(SOUNDS[1])))
    events, moved = [VIBRATO, *chord(), *still, *again], list[bool]()
    heard = perform(playing, 64, events, 4 * SPAN, lambda: moved.append(playing.moving))
    wanted = perform(others, 64, events, 4 * SPAN)
    assert [before for before, now in pairwise(moved) if before != now] == [True, False] * 2
    assert read_voices(playing) == len(KEYS)
    assert db(peak(heard - wanted) / peak(wanted)) < MOST_DB


def test_voices_are_read_from_the_same_frame_whatever_the_block() -> None:
    events = [VIBRATO, *(on(1000 * each, 40 + each) for each in range(6))]
    read = [same([HARMONIC], events, frames)[1][:: 1024 // frames] for frames in (64, 1024)]
    assert read[0] == read[1]
    assert len(set(read[0])) > 3


def limited(events: list[Event], since: int, until: int) -> Recording:
    """Return a chord of which half of the partials are left out between two frames."""
    playing, frames = instrument([HARMONIC]), count(0, 64)

    def each_block() -> None:
        here = since <= next(frames) < until
        playing.limit_partials(8 * len(KEYS) if here else None)
        assert (playing.partials < 16 * len(KEYS)) == here

    return perform(playing, 64, [VIBRATO, *chord(), *events], SPAN, each_block)


def left_out(events: list[Event], since: int, until: int) -> Recording:
    """Return what is missing of it, beside the peak of the whole, in either direction."""
    whole = limited(events, SPAN, SPAN)
    return np.asarray((limited(events, since, until) - whole) / np.abs(whole).max())


def test_what_is_read_keeps_all_partials_where_others_are_left_out() -> None:
    """It would cost as much without them; so it does where it comes to rest."""
    rests = [control(READ + 2000, 1, 0)]
    assert db(peak(left_out(rests, READ, READ + 12_000))) < MOST_DB
    assert db(peak(left_out(rests, READ + 9000, READ + 12_000))) > -20.0  # it had come to rest


def test_voices_of_which_partials_are_left_out_fade_to_what_is_read() -> None:
    missing = np.abs(left_out([], 640, SPAN)).max(1)
    ends = (int(np.flatnonzero(missing > 1e-4)[-1]) // 64 + 1) * 64
    assert ends == LONGEST_BLOCK + DRAWN_IN + 64
    fading, before = missing[ends - 64 : ends], missing[ends - 256 : ends - 64]
    assert fading[-4:].max() < 0.1 * before.max()
    assert fading[:8].max() > 0.2 * before.max()


def test_what_is_no_longer_read_fades_to_fewer_partials() -> None:
    changes = READ + 1000 - (READ + 1000) % 64
    missing = np.abs(left_out([control(changes - 10, 74, 100)], READ, SPAN)).max(1)
    first = int(np.flatnonzero(missing > 1e-4)[0]) // 64 * 64
    fading, after = missing[first : first + 64], missing[first + 64 : first + 256]
    assert first == changes
    assert fading[:8].max() < 0.1 * after.max()
    assert fading[-8:].max() > 0.2 * after.max()


def lively(chance: Random) -> list[Event]:
    """Return keys, wheels and knobs, bends beyond Nyquist among them."""
    events = [control(0, 101, 0), control(0, 100, 0), control(0, 6, 7), control(0, 1, 90)]
    events += chord()
    for _ in range(14):
        frame, key = chance.randrange(SPAN), chance.choice(KEYS)
        events += chance.choice(
            [
                [off(frame, key), on(frame + 700, key + 20)],
                [bend(frame, chance.randrange(-4000, 4000))],
                [control(frame, 74, chance.randrange(128))],
                [control(frame, 1, chance.randrange(128))],
                [control(frame, 65, chance.randrange(128)), control(frame, 5, 40)],
            ]
        )
    return events


@pytest.mark.parametrize("seed", [0, 1, 3])
def test_lively_playing_sounds_the_same(seed: int) -> None:
    """Until a knob has had its partials apart: then nothing is read any more."""
    events = [*lively(Random(seed)), control(20 * LONGEST_BLOCK, KNOB, 20 * seed)]
    bindings = [{"control": KNOB, "target": "detuning"}]
    error, read = same(SOUNDS[seed % 3], events, bindings=bindings)
    assert any(read)
    assert error < MOST_DB


@pytest.mark.parametrize("block_frames", [32, 64, 256])
def test_lively_playing_does_not_depend_on_the_block(block_frames: int) -> None:
    def heard(frames: int) -> Recording:
        return perform(instrument(SOUNDS[1], frames), frames, lively(Random(9)), SPAN)

    whole = heard(LONGEST_BLOCK)
    assert db(peak(heard(block_frames) - whole) / peak(whole)) < -100.0


@pytest.mark.parametrize(("ranks", "in_all"), [(SOUNDS[0], 32), (SOUNDS[1], 64)])
def test_periods_are_drawn_one_after_the_other(ranks: list[dict[str, Any]], in_all: int) -> None:
    """All of them at once would take several times as long as a block has.

    If one in two blocks is enough they are in no two blocks in a row, which a governor would take
    for too high a load.
    """
    playing = instrument(ranks)
    drawn, out = list[int](), np.zeros((64, 2), np.float32)
    playing.take((0xB0, 1, 127))
    for key in range(40, 56):
        playing.take((0x90, key, 100))
    (bank,) = playing._pool.banks.values()
    for _ in range(READ // 64):
        before = bank._drawn._sides_to_draw
        playing.render(out)
        drawn.append(max(0, before - bank._drawn._sides_to_draw))
    assert sum(drawn) == in_all
    assert max(drawn) == 1
    in_a_row = sum(bool(one and other) for one, other in pairwise(drawn))
    assert (in_a_row == 0) == (2 * in_all <= DRAWN_IN // 64)
