"""Knobs, wheels and pressure bound to everything that shapes sound."""

from random import Random
from typing import Any

import numpy as np
import pytest

from config.bindings import Binding
from config.settings import Settings
from config.sound import Sound
from config.targets import TARGETS
from tests.support.measure import db, partial_level, peak
from tests.support.playing import (
    RATE,
    Event,
    Recording,
    control,
    difference_of_blocks,
    off,
    on,
    perform,
    sound,
)
from tests.support.receiver_player import ORGAN, RICH, Player, key_hz
from voices.channels.knob import FINE_TREMBLE, MOST_TREMBLE, Knob, meaning, moved
from voices.instrument import Instrument

RANKS = Sound.model_validate(
    {
        "title": "Two ranks",
        "about": "Made for a measurement.",
        "level_db": -10.0,
        "ranks": [{"name": "low"}, {"name": "high", "ratio": 3.0}],
        "envelope": {"attack_s": 0.004, "release_s": 0.1},
    }
)


def knob(target: str, tone: Sound = ORGAN, **more: Any) -> Player:
    """Return an instrument whose knob 20 moves a target, and a key that is down."""
    bindings = [{"control": 20, "target": target, **more.pop("binding", {})}]
    return Player(tone, bindings=bindings, **more).send("90 45 7F").wait(0.1)


@pytest.mark.parametrize("target", [name for name, row in TARGETS.items() if not row.shared])
def test_a_turned_knob_has_every_value_where_all_controls_together_want_it(target: str) -> None:
    """Most of them move one column alone, which is faster."""
    which = TARGETS[target].which
    player = knob(target, binding={which: 2} if which else {}, pressure={"channel": "brightness"})
    player.send("D0 40", "E0 00 50").control(74, 30)
    channel = player.instrument.channel(0)
    for value in (20, 100):
        player.control(20, value)
        aimed = list(channel.targets)
        player.control(7, 101).control(7, 100)  # everything is worked out anew
        assert channel.targets == aimed


# --- what each target does ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("target", "value", "change_db"),
    [("volume", 0, -40.0), ("volume", 127, 6.0), ("effort", 0, -40.0)],
)
def test_a_knob_moves_the_level(target: str, value: int, change_db: float) -> None:
    player = knob(target)
    before = player.level()
    assert player.control(20, value).level() == pytest.approx(before + change_db, abs=0.1)


@pytest.mark.parametrize(
    ("target", "number", "moved_partials"),
    [
        ("overtones", 0, (2, 3, 4)),
        ("even", 0, (2, 4)),
        ("odd", 0, (3,)),
        ("partial", 4, (4,)),
    ],
)
def test_a_knob_moves_the_partials_it_is_for(
    target: str, number: int, moved_partials: tuple[int, ...]
) -> None:
    binding = {"low": -12.0, "high": 0.0} | ({target: number} if number else {})
    player = knob(target, RICH, binding=binding)
    keys = {n: 69 + 12 * np.log2(n) for n in range(1, 5)}
    before = {n: player.level(key) for n, key in keys.items()}
    player.control(20, 0)
    change = {n: player.level(key) - before[n] for n, key in keys.items()}
    for n in keys:
        assert change[n] == pytest.approx(-12.0 * (n in moved_partials), abs=0.1), n


@pytest.mark.parametrize("rank", [1, 2])
def test_a_knob_moves_one_rank_of_the_sound(rank: int) -> None:
    player = knob("rank", RANKS, binding={"rank": rank}, room={"level_db": -80.0})
    keys = (69, 69 + 12 * np.log2(3))
    before = [player.level(key) for key in keys]
    player.control(20, 0)
    change = [player.level(key) - level for key, level in zip(keys, before, strict=True)]
    assert change[rank - 1] == pytest.approx(-60.0, abs=0.5)
    assert change[2 - rank] == pytest.approx(0.0, abs=0.1)


def test_a_knob_moves_the_pan_by_its_law() -> None:
    """RP-036: both ends are one side alone."""
    player = knob("pan")
    player.control(20, 127).wait(0.1)
    assert player.level(side=0) < -200
    player.control(20, 0).wait(0.1)
    assert player.level(side=1) < -200


def test_a_knob_moves_the_pitch() -> None:
    player = knob("tuning").control(20, 127)
    assert player.cents(69) == pytest.approx(50.0, abs=0.3)


def test_a_knob_in_the_middle_leaves_bipolar_targets_where_they_were() -> None:
    for target, row in TARGETS.items():
        if row.middle is not None or row.low == -row.high:
            assert meaning(Binding(control=20, target=target), 64) == row.rest, target


def test_a_knob_swings_the_pitch_and_another_says_how_often() -> None:
    bindings = [
        {"control": 20, "target": "vibrato_depth"},
        {"control": 21, "target": "vibrato_rate"},
    ]
    player = Player(bindings=bindings).send("90 45 7F").control(20, 127).control(21, 64)
    channel = player.instrument.channel(0)
    assert channel.rate_hz == pytest.approx(5.5)
    assert channel.targets[3] == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("target", "value", "faster"),
    [("attack", 127, False), ("attack", 0, True)],
)
def test_a_knob_stretches_the_attack_of_later_notes(
    target: str, value: int, *, faster: bool
) -> None:
    slow = sound([0.0], envelope={"attack_s": 0.1, "release_s": 0.1})
    player = knob(target, slow).control(20, value).send("90 48 7F")
    early = partial_level(player.hear(0.1)[:, 0], RATE, key_hz(72))
    late = partial_level(player.wait(2.0).hear(0.1)[:, 0], RATE, key_hz(72))
    assert early / late > 0.4 if faster else early / late < 0.1


def test_a_knob_says_how_loud_later_notes_are_held() -> None:
    tone = sound([0.0], envelope={"attack_s": 0.002, "decay_s": 0.05, "sustain": 1.0})
    player = knob("sustain", tone, binding={"low": -20.0}).control(20, 0).send("90 48 7F").wait(0.3)
    assert player.level(72) == pytest.approx(player.level(69) - 20.0, abs=0.2)


def test_a_knob_moves_the_level_of_one_zone() -> None:
    zones = [{"keys": [0, 68]}, {"keys": [69, 127]}]
    player = knob("zone", zones=zones, binding={"zone": 2, "high": 0.0}).send("90 40 7F").wait(0.1)
    before = player.level(69), player.level(64)
    player.control(20, 0).wait(0.1)
    assert player.level(69) == pytest.approx(before[0] - 60.0, abs=0.5)
    assert player.level(64) == pytest.approx(before[1], abs=0.1)


def test_a_knob_leads_from_the_sound_of_one_zone_to_that_of_another_at_equal_power() -> None:
    zones = [{}, {"octave": 1}]
    player = knob("blend", zones=zones)
    halves = player.level(69), player.level(81)
    ends = [(player.control(20, value).level(69), player.level(81)) for value in (0, 127)]
    assert ends[0][0] == pytest.approx(halves[0] + 3.01, abs=0.05)
    assert ends[1][1] == pytest.approx(halves[1] + 3.01, abs=0.05)
    assert ends[0][1] < -130
    assert ends[1][0] < -130
    unbound = player.instrument.settings.model_copy(update={"bindings": []})
    player.instrument.apply(unbound)
    assert player.wait(0.1).level(69) == pytest.approx(ends[0][0], abs=0.05)


def test_a_knob_turns_the_tremulant_on_and_off() -> None:
    player = knob("tremulant").control(20, 127).wait(2.0)
    swung = swing_db(player.hear(0.5))
    assert swung == pytest.approx(3.0, abs=0.6)
    player.control(20, 0).wait(6.0)
    assert swing_db(player.hear(0.5)) < 0.05


def swing_db(audio: Recording) -> float:
    """Return by how much the level of a sine goes up and down."""
    levels = [np.sqrt((part**2).mean()) for part in np.array_split(audio[:, 0], 40)]
    return db(max(levels) / min(levels))


def test_a_knob_moves_the_room_and_its_settings_level_is_where_it_starts() -> None:
    room = {"level_db": -10.0, "t60_s": 1.0}

    def tail(value: int | None) -> float:
        player = knob("room", RANKS, room=room, binding={"low": -30.0, "high": -10.0})
        if value is not None:
            player.control(20, value)
        player.wait(1.0).send("80 45 40").wait(0.15)
        return db(float(np.sqrt((player.hear(0.2) ** 2).mean())))

    untouched = tail(None)
    assert tail(127) == pytest.approx(untouched, abs=0.01)
    assert tail(0) == pytest.approx(untouched - 20.0, abs=0.5)


def test_a_room_that_is_off_stays_off() -> None:
    player = knob("room", RANKS, room={"level_db": -80.0}).control(20, 127)
    player.send("80 45 40").wait(1.0)
    assert player.silent()


# --- what may be bound ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("source", "message"),
    [
        ("pitch_bend", "E0 00 00"),
        ("channel_pressure", "D0 00"),
        ("key_pressure", "A0 45 00"),
        (21, "B0 15 00"),
    ],
)
def test_wheel_and_pressure_can_be_bound_and_do_nothing_else(
    source: str | int, message: str
) -> None:
    player = Player(bindings=[{"control": source, "target": "volume"}]).send("90 45 7F")
    before = player.level()
    player.send(message)
    assert player.level() == pytest.approx(before - 40.0, abs=0.1)
    assert player.cents(69) == pytest.approx(0.0, abs=0.2)


def test_a_bound_wheel_is_heard_though_bends_are_ignored() -> None:
    settings: dict[str, Any] = {"controller": {"ignore": ["pitch_bend"]}}
    player = Player(bindings=[{"control": "pitch_bend", "target": "volume"}], **settings)
    player.send("90 45 7F")
    before = player.level()
    assert player.send("E0 00 00").level() == pytest.approx(before - 40.0, abs=0.1)


def test_the_fine_half_of_a_bound_knob_counts() -> None:
    """MIDI 1.0, p. 12: a coarse value sets the fine one to 0."""
    player = knob("tuning").control(20, 64).control(52, 64)
    fine = player.instrument.channel(0).shape.tuning
    assert fine == pytest.approx(50.0 / 63 / 2)
    player.control(20, 70)
    assert player.instrument.channel(0).shape.tuning == pytest.approx(50.0 * 6 / 63)


def test_the_fine_half_of_a_bound_wheel_counts() -> None:
    """MIDI 1.0, p. 19: its first data byte is the fine one."""

    def tuning(bend: str) -> float:
        player = Player(bindings=[{"control": "pitch_bend", "target": "tuning"}]).send(bend)
        return player.instrument.channel(0).shape.tuning

    assert tuning("E0 40 60") - tuning("E0 00 60") == pytest.approx(50.0 / 63 / 2)
    assert tuning("E0 7F 7F") == tuning("E0 00 7F") == 50.0


def test_a_control_that_is_the_fine_half_of_another_has_none_itself() -> None:
    """MIDI 1.0, p. 12: 32 to 63 are those of 0 to 31; 64 is the pedal."""
    player = Player(bindings=[{"control": 32, "target": "volume"}])
    player.send("90 45 7F").control(64, 127).send("80 45 40").wait(0.5)
    assert player.accounts == {"sounding": 1}


def test_a_target_that_has_not_been_moved_is_led_on_from_where_it_rests() -> None:
    """A blend rests halfway from one zone to the other."""
    player = Player(zones=[{}, {"octave": 1}], bindings=[{"control": 20, "target": "blend"}]).send(
        "90 45 7F"
    )
    before = player.level(69), player.level(81)
    player.instrument.tell(bytes((0xB0, 20, 127)))
    player.control(20, 120)
    assert (player.level(69), player.level(81)) == pytest.approx(before, abs=1.5)


# --- noise ----------------------------------------------------------------------------------


def trembling(amplitude: int, seed: int = 1) -> list[int]:
    chance = Random(seed)
    return [64 + chance.randint(-amplitude, amplitude) for _ in range(2_000)]


@pytest.mark.parametrize("amplitude", [1, 2])
def test_a_still_knob_is_silent_once_its_noise_is_known(amplitude: int) -> None:
    turned = Knob(RATE)
    moves = []
    for at, value in enumerate(trembling(amplitude)):
        if turned.moves(value, 480 * at):
            turned.position = value
            moves.append(at)
    assert len(moves) <= 6
    assert not moves or max(moves) < 200


def test_a_knob_with_less_noise_than_a_step_says_nothing_at_all() -> None:
    turned = Knob(RATE)
    turned.position = 64.0
    assert not any(turned.moves(64 + at % 2, 4_800 * at) for at in range(1, 100))


@pytest.mark.parametrize("step", [1, 3, 20])
def test_a_turned_knob_is_followed_within_20_ms(step: int) -> None:
    """One message a millisecond, as fast as a wire brings them."""
    turned, late = Knob(RATE), 0
    turned.position = 0.0
    for at, value in enumerate(range(step, 128, step)):
        if turned.moves(value, 48 * at):
            turned.position = value
        late = max(late, (value - int(turned.position)) // step)
    assert late * 1 <= 20
    assert turned.position == value


def test_both_ends_are_reached_whatever_the_noise_is() -> None:
    turned = Knob(RATE)
    turned.position, turned.tremble = 1.0, MOST_TREMBLE
    assert turned.moves(0.0, 0)
    turned.position = 126.0
    assert turned.moves(127.0, 0)


def test_a_wide_turn_makes_a_knob_forget_its_noise_again() -> None:
    turned = Knob(RATE)
    turned.position, turned.tremble = 10.0, MOST_TREMBLE
    for at, value in enumerate(range(15, 120)):
        assert turned.moves(value, 48 * at)
        turned.position = value
    assert turned.tremble < MOST_TREMBLE


def test_a_knob_of_fourteen_bits_may_move_in_finer_steps() -> None:
    turned = Knob(RATE)
    turned.read(64, is_fine=False)
    turned.position = turned.read(0, is_fine=True)
    assert turned.tremble == FINE_TREMBLE
    assert not turned.moves(turned.read(20, is_fine=True), 0)
    assert turned.moves(turned.read(50, is_fine=True), 0)


def test_a_knob_that_trembles_changes_no_sample_and_costs_no_motion() -> None:
    trembles, rests = knob("tilt", RICH).control(20, 64), knob("tilt", RICH).control(20, 64)
    for place in range(100):
        trembles.control(20, 64 + place % 2)
        assert np.array_equal(trembles.hear(0.02), rests.hear(0.02))
    assert not trembles.instrument.moving


def test_what_a_turned_knob_moves_is_nine_tenths_there_within_20_ms() -> None:
    player = knob("volume", binding={"low": -12.0, "high": 0.0}, block=32).control(20, 64).wait(0.1)
    before = peak(player.hear(0.02))
    player.control(20, 0).wait(0.02)
    after = peak(player.hear(0.01))
    wanted = before * 10 ** (-6.0 / 20)
    assert abs(after - wanted) < abs(before - wanted) / 10


# --- taking over ----------------------------------------------------------------------------

VOLUME = Binding(control=20, target="volume")


def test_a_knob_that_is_where_its_target_is_is_followed_exactly() -> None:
    for before, position in ((0, 127), (64, 65), (127, 3)):
        value = meaning(VOLUME, before)
        assert moved(VOLUME, before, position, value) == meaning(VOLUME, position)


@pytest.mark.parametrize("value", [-40.0, -12.0, 0.0, 6.0, 20.0])
@pytest.mark.parametrize("before", [0.0, 1.0, 64.0, 126.0, 127.0])
def test_a_knob_takes_over_without_a_jump_and_reaches_both_ends(
    value: float, before: float
) -> None:
    for end in (0, 127):
        now, position = value, before
        while position != end:
            following = position + (1 if end > position else -1)
            then = moved(VOLUME, position, following, now)
            left = abs(end - position)
            assert abs(then - now) <= abs(meaning(VOLUME, end) - now) / left + 0.4
            now, position = then, following
        if before != end:
            assert now == meaning(VOLUME, end)


def test_what_a_fresh_controller_tells_is_a_position_and_no_move() -> None:
    player = knob("volume")
    before = player.level()
    player.instrument.tell(bytes((0xB0, 20, 10)))
    assert player.level() == pytest.approx(before, abs=0.01)
    assert player.control(20, 13).level() == pytest.approx(before, abs=0.5)
    assert player.control(20, 127).level() == pytest.approx(before + 6.0, abs=0.1)


def test_a_knob_bound_anew_by_edited_settings_does_not_jump() -> None:
    player = knob("tilt", RICH).control(20, 127)
    settings = player.instrument.settings
    player.instrument.apply(settings.model_copy(update={"bindings": [VOLUME]}))
    before = player.level()
    assert player.control(20, 125).level() == pytest.approx(before, abs=1.0)
    assert player.control(20, 0).level() == pytest.approx(before - 40.0, abs=0.1)


def test_partials_that_are_bound_no_more_are_where_they_were_though_a_knob_was_on_its_way() -> None:
    bindings = [{"control": 20 + n, "target": "partial", "partial": n} for n in (1, 2, 3)]
    player = Player(RICH, bindings=bindings).send("90 45 7F").wait(0.1)
    before = player.level()
    player.control(23, 0).control(21, 0)
    settings = player.instrument.settings
    player.instrument.apply(settings.model_copy(update={"bindings": settings.bindings[1:2]}))
    assert player.wait(0.2).level() == pytest.approx(before, abs=0.1)


def test_the_level_of_a_zone_reaches_channels_that_have_been_silent_for_long() -> None:
    bindings = [{"control": 20, "target": "zone", "zone": 1}]
    player = Player(bindings=bindings, zones=[{}]).send("91 45 7F").wait(0.1)
    before = player.level()
    player.send("81 45 40").wait(1.0)
    edited = [*bindings, {"control": 21, "target": "partial", "partial": 2}]
    settings = player.instrument.settings.model_dump() | {"bindings": edited}
    player.instrument.apply(Settings.model_validate(settings))
    player.control(20, 0).send("91 45 7F").wait(0.1)
    assert player.level() == pytest.approx(before - 60.0, abs=0.5)
    player.send("F0 7E 7F 09 01 F7", "91 45 7F").wait(0.1)
    assert player.level() == pytest.approx(before, abs=0.1)


# --- all of them ----------------------------------------------------------------------------


def everything() -> Settings:
    bindings = []
    for number, (name, row) in enumerate(TARGETS.items()):
        which = {row.which: 1 + (name != "zone")} if row.which else {}
        bindings.append({"control": 20 + number, "target": name, **which})
    zones = [{"keys": [0, 63]}, {"keys": [60, 127], "octave": -1}]
    return Settings.model_validate(
        {"sound": {"name": "x"}, "bindings": bindings, "zones": zones, "room": {"level_db": -20.0}}
    )


def turning(seed: int, seconds: float) -> list[Event]:
    """Return notes, and knobs of every target turned at random."""
    chance, frames = Random(seed), round(seconds * RATE)
    events: list[Event] = []
    for _ in range(round(12 * seconds)):
        at, key = chance.randrange(frames), chance.randrange(40, 84)
        events += [on(at, key), off(at + chance.randrange(30_000), key)]
        number, value = 20 + chance.randrange(len(TARGETS)), chance.randrange(128)
        way = range(value, chance.randrange(128))
        events += [control(at + 90 * place, number, each) for place, each in enumerate(way)]
    return events


def test_turned_knobs_sound_the_same_however_they_are_cut_into_blocks() -> None:
    events, settings = turning(3, 2.0), everything()

    def recording(block: int) -> Recording:
        instrument = Instrument(settings, sample_rate=RATE, block_frames=block, sounds={"x": RANKS})
        return perform(instrument, block, events, 2 * RATE)

    assert difference_of_blocks(recording, 1e-3) < -100


def test_no_knob_makes_a_click() -> None:
    for name, row in TARGETS.items():
        if name in ("tremulant", "vibrato_rate"):
            continue
        binding = {row.which: 1} if row.which else {}
        player = knob(name, binding=binding, zones=[{}])
        step = player.step(0.1)
        for value in (0, 127, 64):
            assert player.control(20, value).step(0.05) < 3.5 * step, (name, value)


def test_what_nothing_is_bound_to_costs_and_changes_nothing() -> None:
    player = Player()
    columns = player.instrument.channel(0).targets
    assert len(columns) == len(Player(bindings=[]).instrument.channel(0).targets)
