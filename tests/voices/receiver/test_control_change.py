"""The controllers, value by value.

Sources beside each test: MIDI is the MIDI 1.0 Detailed Specification 4.2.1 (printed pages), GM2 is
General MIDI 2 v1.2a.
"""

import mido
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from config.settings import Level
from config.sound import Sound
from tests.support.measure import db, partial_level, peak
from tests.support.playing import RATE, Recording, sound
from tests.support.receiver_player import RICH, STRUCK, Player


# MIDI p. 12: MSB first, then LSB; an LSB alone moves finely; a new MSB sets its LSB to 0.
def test_a_new_coarse_value_sets_the_fine_one_to_nothing() -> None:
    fine, plain = Player().send("90 45 7F"), Player().send("90 45 7F")
    fine.control(7, 80).control(39, 64)
    plain.control(7, 80)
    assert fine.level() > plain.level() + 0.02
    fine.control(7, 80)
    assert fine.level() == pytest.approx(plain.level(), abs=0.001)


# GM2 3.3.4 for the law; the LSB is 128ths of a step.
@pytest.mark.parametrize("number", [7, 11])
def test_fine_halves_of_volume_and_expression_follow_the_law(number: int) -> None:
    player = Player().control(7, 127).send("90 45 7F")
    full = player.level()
    player.control(number, 80).control(number + 32, 64)
    assert player.level() - full == pytest.approx(40 * np.log10(80.5 / 127), abs=0.01)


def test_seven_bits_alone_reach_the_full_throw() -> None:
    coarse, both = (Player().control(7, 127).send("90 45 7F") for _ in range(2))
    both.control(39, 127)
    assert coarse.level() == pytest.approx(both.level(), abs=1e-4)


# MIDI p. 13: balance 0 is left, 64 equal, 127 right.
def test_balance_keeps_one_side_and_takes_the_other_away() -> None:
    player = Player().send("90 45 7F")
    middle = player.level(side=0), player.level(side=1)
    player.control(8, 0)
    assert player.level(side=0) == pytest.approx(middle[0], abs=0.01)
    assert player.level(side=1) < -200
    player.control(8, 127)
    assert player.level(side=0) < -200
    assert player.level(side=1) == pytest.approx(middle[1], abs=0.01)


# MIDI p. 13: a bank is only stored until the next program change, and then stays for more.
def test_a_bank_counts_with_the_next_program_change() -> None:
    player = Player(sound={"name": "x", "programs": ["x"], "banks": {"130": ["other"]}})
    channel = player.instrument.channel(0)
    player.control(0, 1).control(32, 2)
    assert channel.sound == ""
    player.send("C0 00")
    assert channel.sound == "other"
    player.control(0, 0).control(32, 0)
    assert channel.sound == "other"
    player.send("C0 00")
    assert channel.sound == "x"


def test_a_bank_nobody_listed_has_the_usual_programs() -> None:
    player = Player(sound={"name": "x", "programs": ["other"]}).control(0, 121).send("C0 00")
    assert player.instrument.channel(0).sound == "other"


def test_a_sounding_note_keeps_its_sound_over_a_program_change() -> None:
    player = Player(sound={"name": "x", "programs": ["other"]}).send("90 45 7F", "C0 00")
    second = partial_level(player.wait(0.1).hear(0.2)[:, 0], RATE, 880.0)
    assert db(second) < -120
    player.send("90 39 7F")
    assert player.level(57 + 12) > -60


# The block in which a note comes has no time to make a sound from its description.
def test_every_sound_a_program_can_choose_is_made_before_it_is_chosen() -> None:
    player = Player(sound={"name": "x", "programs": ["x"], "banks": {"1": ["other"]}})
    pool = player.instrument._pool
    assert pool._repertoire is not None
    voicings, banks = dict(pool._repertoire.voicings), dict(pool.banks)
    assert "other" in voicings
    player.control(32, 1).send("C0 00", "90 45 7F").wait(0.1)
    assert player.instrument.channel(0).sound == "other"
    assert player.instrument.sounding == 1
    assert (pool._repertoire.voicings, pool.banks) == (voicings, banks)


# There are 64 channels, and the block in which settings come into force has no time for all.
def test_a_level_saved_is_worked_out_where_it_sounds_and_elsewhere_by_the_next_note() -> None:
    softer_db = Player(level={"volume_db": -20.0}).send("95 51 7F").wait(0.1).level(81)
    player = Player().send("91 45 7F").wait(0.1)
    softer = player.instrument.settings.model_copy(update={"level": Level(volume_db=-20.0)})
    player.instrument.apply(softer)
    channels = player.instrument._part.routing(0).channels
    assert [each.number for each in channels if not each.stale] == [1]
    assert player.send("95 51 7F").wait(0.1).level(81) == pytest.approx(softer_db, abs=0.01)
    assert [each.number for each in channels if not each.stale] == [1, 5]


# MIDI p. 12: 0 to 63 is off, 64 to 127 on, whatever sends them.
@pytest.mark.parametrize(("value", "held"), [(63, False), (64, True), (1, False), (127, True)])
def test_a_switch_turns_between_63_and_64(value: int, held: bool) -> None:
    player = Player().send("90 45 7F").control(64, value).send("80 45 40").wait(0.4)
    assert (not player.silent()) == held


def test_a_pedal_that_streams_its_way_holds_until_it_passes_the_middle_upwards() -> None:
    player = Player().send("90 45 7F")
    for value in (5, 20, 63, 64, 80, 127):
        player.control(64, value).wait(0.01)
    player.send("80 45 40")
    for value in (127, 100, 80, 66, 64):
        player.control(64, value).wait(0.1)
        assert not player.silent()
    player.control(64, 63).wait(0.4)
    assert player.silent()


# MIDI A-5, example: G rings until the pedal goes up, whatever All Notes Off says in between.
def test_the_example_of_the_specification_for_hold() -> None:
    player = Player().send("90 43 40", "B0 40 7F", "90 43 00")
    player.wait(0.5).send("B0 7B 00")
    assert player.level(67) > -80
    player.send("B0 40 00").wait(0.4)
    assert player.silent()


# MIDI A-5: hold does not touch what sounds; a note in its release is caught only above its sustain.
def test_an_organ_note_in_release_is_not_caught_by_hold() -> None:
    player = Player().send("90 45 7F").wait(0.1).send("80 45 40").wait(0.01).control(64, 127)
    assert player.wait(0.4).silent()


@pytest.mark.parametrize(
    "dying", [STRUCK, sound([0.0], envelope={"attack_s": 0.002, "release_s": 0.1}, decay_s=2.0)]
)
def test_a_struck_note_in_release_is_caught_by_hold(dying: Sound) -> None:
    levels = {}
    for pedal in (0, 127):
        player = Player(dying).send("90 45 7F").wait(0.1).send("80 45 40").wait(0.02)
        levels[pedal] = player.control(64, pedal).wait(0.1).level()
    assert levels[127] > levels[0] + 15
    player.control(64, 0).wait(0.7)
    assert player.silent()
    assert player.accounts == {"released": 1}


# MIDI A-5; GM2 3.3.8: sostenuto latches the keys that are down when it goes down, and no others.
def test_sostenuto_holds_the_keys_that_were_down_and_no_later_ones() -> None:
    player = Player().send("90 45 7F").control(66, 127).send("90 51 7F", "80 45 40", "80 51 40")
    player.wait(0.4)
    assert player.level(69) > -60
    assert player.level(81) < -100
    player.control(66, 0).wait(0.4)
    assert player.silent()


def test_sostenuto_releases_at_the_later_of_key_and_pedal() -> None:
    player = Player().send("90 45 7F").control(66, 127).control(66, 0).wait(0.4)
    assert player.level() > -60
    player.send("80 45 40").wait(0.4)
    assert player.silent()


def test_hold_and_sostenuto_together_release_only_when_both_are_up() -> None:
    player = Player().send("90 45 7F").control(66, 127).control(64, 127).send("80 45 40")
    player.control(66, 0).wait(0.3)
    assert player.level() > -60
    player.control(66, 127).control(64, 0).wait(0.4)  # it was not down as a key: not latched again
    assert player.silent()


# MIDI p. 13; GM2 3.3.9: soft touches only notes struck while it is down.
def test_soft_makes_later_notes_softer_and_duller() -> None:
    def levels(soft: int, before: bool) -> list[float]:
        player = Player(RICH)
        if before:
            player.control(67, soft).send("90 45 7F")
        else:
            player.send("90 45 7F").control(67, soft)
        audio = player.wait(0.1).hear(0.2)[:, 0]
        return [db(partial_level(audio, RATE, 440.0 * n)) for n in (1, 4)]

    plain, soft = levels(0, True), levels(127, True)
    assert soft[0] < plain[0] - 2
    assert soft[1] - soft[0] < plain[1] - plain[0] - 2
    assert levels(127, False) == pytest.approx(plain, abs=0.01)


def test_hold_2_keeps_the_level_that_a_dying_note_has() -> None:
    player = Player(STRUCK).send("90 45 7F").wait(0.2).control(69, 127).send("80 45 40")
    first = player.level()
    assert player.wait(1.0).level() == pytest.approx(first, abs=0.01)
    assert player.control(69, 0).wait(1.1).silent()


def test_a_key_still_down_goes_on_dying_when_hold_2_comes_up() -> None:
    player = Player(STRUCK).send("90 45 7F").wait(0.2).control(69, 127).wait(0.5)
    before = player.level()
    player.control(69, 0)
    assert player.wait(0.5).level() < before - 10
    assert player.accounts == {"sounding": 1}


# RP-021: 64 changes nothing, less is shorter or darker, more is longer or brighter.
@pytest.mark.parametrize("number", range(70, 79))
def test_a_sound_controller_at_64_changes_nothing(number: int) -> None:
    plain, turned = Player(RICH), Player(RICH).control(number, 64)
    heard = [player.send("90 45 64").hear(0.2) for player in (plain, turned)]
    assert np.array_equal(heard[0], heard[1])


def test_brightness_and_harmonic_intensity_move_the_upper_partials_only() -> None:
    for number in (71, 74):
        steps = []
        for value in (0, 64, 127):
            player = Player(RICH).control(number, value).send("90 45 7F").wait(0.1)
            audio = player.hear(0.2)[:, 0]
            steps.append([db(partial_level(audio, RATE, 440.0 * n)) for n in (1, 4)])
        assert [step[0] for step in steps] == pytest.approx([steps[0][0]] * 3, abs=0.01)
        assert steps[0][1] < steps[1][1] - 5
        assert steps[1][1] < steps[2][1] - 5


def test_sound_variation_is_the_level_of_the_even_harmonics() -> None:
    player = Player(RICH).control(70, 0).send("90 45 7F").wait(0.1)
    audio = player.hear(0.2)[:, 0]
    levels = [db(partial_level(audio, RATE, 440.0 * n)) for n in (1, 2, 3, 4)]
    assert levels[2] == pytest.approx(levels[0], abs=0.01)
    assert levels[1] == pytest.approx(levels[0] - 60.0, abs=0.1)
    assert levels[3] == pytest.approx(levels[0] - 60.0, abs=0.1)


# A stiff string's partials lie above the harmonics that they are (f = n·f0·sqrt(1 + B·n²)).
def test_a_stretched_even_harmonic_is_an_even_harmonic() -> None:
    stiff = sound([0.0] * 16, stretch=0.0008, envelope={"attack_s": 0.004})
    player = Player(stiff).control(70, 0).send("90 45 7F").wait(0.1)
    audio = player.hear(0.3)[:, 0]
    levels = [db(partial_level(audio, RATE, 440.0 * ratio)) for ratio in stiff.ratios]
    assert levels[2::2] == pytest.approx([levels[0]] * 7, abs=0.1)
    assert levels[1::2] == pytest.approx([levels[0] - 60.0] * 8, abs=0.5)


def test_a_detuned_rank_is_as_harmonic_as_one_in_tune() -> None:
    ranks = [{"harmonics": 4, "cents": 30.0}, {"footage": "4'", "cents": -40.0}]
    section = Sound.model_validate(
        {"title": "Section", "about": "Out of tune.", "level_db": -40.0, "ranks": ranks}
    )
    plain, even, overtones = (
        Player(section).control(number, 0).send("90 45 7F").wait(0.2).hear(0.5).sum(1)
        for number in (93, 70, 71)
    )

    def change(audio: Recording, ratio: float, cents: float) -> float:
        hertz = 440.0 * ratio * 2.0 ** (cents / 1200.0)
        return db(partial_level(audio, RATE, hertz) / partial_level(plain, RATE, hertz))

    partials = ((1, 30.0), (2, 30.0), (3, 30.0), (4, 30.0), (2, -40.0))
    assert [change(even, *each) for each in partials] == pytest.approx(
        [0.0, -60.0, 0.0, -60.0, -60.0], abs=0.5
    )
    assert [change(overtones, *each) for each in partials] == pytest.approx(
        [0.0, -18.0, -18.0, -18.0, -18.0], abs=0.5
    )


def test_release_attack_and_decay_times_go_both_ways() -> None:
    slow = sound([0.0], envelope={"attack_s": 0.05, "decay_s": 1.0, "sustain": 0.0})

    def level(number: int, value: int, off: bool, after: float) -> float:
        player = Player(slow).control(number, value).send("90 45 7F")
        if off:
            player.wait(0.1).send("80 45 40")
        return player.wait(after).level(seconds=0.02)

    heard = [
        peak(Player(slow).control(73, value).send("90 45 7F").hear(0.02)) for value in (0, 64, 127)
    ]
    assert heard[0] > 2 * heard[1] > 4 * heard[2]
    assert level(75, 0, False, 0.2) < level(75, 64, False, 0.2) < level(75, 127, False, 0.2)
    assert level(72, 0, True, 0.05) < level(72, 64, True, 0.05) < level(72, 127, True, 0.05)


def vibrato_cents(player: Player) -> float:
    """Return how far the pitch goes from its middle, in cents, measured on an analytic signal."""
    course = frequencies(player, 0.8)
    return float(1200 * np.log2(course.max() / course.min()) / 2)


def frequencies(player: Player, seconds: float) -> NDArray[np.float64]:
    """Return the course of a sine's frequency, its ends left out, from its analytic signal."""
    audio = player.hear(seconds)[:, 0].astype(np.float64)
    spectrum = np.fft.fft(audio * signal.windows.tukey(len(audio), 0.3))
    spectrum[len(spectrum) // 2 :] = 0.0
    ends = len(audio) // 5
    phase = np.unwrap(np.angle(np.fft.ifft(spectrum)))[ends:-ends]
    return np.asarray(np.convolve(np.diff(phase), np.ones(32) / 32, "valid") * RATE / (2 * np.pi))


# GM2 3.3.2: depth linear in cents; RPN 5 default 50 cents.
@pytest.mark.parametrize(("value", "expected"), [(127, 50.0), (64, 25.2)])
def test_modulation_swings_as_far_as_its_depth_says(value: int, expected: float) -> None:
    player = Player().control(1, value).send("90 45 7F").wait(0.2)
    assert vibrato_cents(player) == pytest.approx(expected, abs=1.0)


def test_vibrato_depth_adds_to_the_modulation() -> None:
    assert vibrato_cents(Player().control(77, 127).send("90 45 7F").wait(0.2)) == pytest.approx(
        50, abs=1
    )
    assert vibrato_cents(Player().control(77, 0).control(1, 127).send("90 45 7F").wait(0.2)) < 1.0


def test_vibrato_delay_keeps_it_back() -> None:
    player = Player().control(1, 127).control(78, 127).send("90 45 7F").wait(0.2)
    assert vibrato_cents(player) < 0.5
    assert vibrato_cents(player.wait(1.0)) > 45.0


def test_vibrato_rate_halves_and_doubles() -> None:
    turns = []
    for value in (0, 64, 127):
        player = Player(vibrato={"rate_hz": 4.0, "depth_cents": 50.0}).control(76, value)
        player.control(1, 127).send("90 45 7F").wait(0.2)
        swung = frequencies(player, 2.0)
        swung -= swung.mean()
        size = 1 << 18
        line = np.abs(np.fft.rfft(swung * np.hanning(len(swung)), size))
        turns.append(float(line[: size // 100].argmax()) * RATE / size)
    assert turns == pytest.approx([2.0, 4.0, 8.0 * 2 ** (-1 / 64)], rel=0.03)


@pytest.mark.parametrize("target", ["level", "brightness", "vibrato", "none"])
@pytest.mark.parametrize("kind", ["channel", "key"])
def test_pressure_changes_what_the_settings_say(kind: str, target: str) -> None:
    pressure = {"channel": "none", "key": "none", kind: target}
    message = "D0 7F" if kind == "channel" else "A0 45 7F"
    player = Player(RICH, pressure=pressure).send("90 45 7F", "90 51 7F").wait(0.1)
    before = player.level(69)
    audio = player.send(message).wait(0.1).hear(0.5)[:, 0]
    moved = [db(partial_level(audio, RATE, 440.0 * n)) for n in (1, 3)]
    if target == "level":
        assert moved[0] == pytest.approx(before + 6.0, abs=0.1)
    elif target == "brightness":
        assert moved[0] == pytest.approx(before, abs=0.1)
        assert moved[1] > before + 3.0
    elif target == "none":
        assert moved == pytest.approx([before, before], abs=0.1)
    else:
        lone = Player(pressure=pressure).send("90 45 7F").wait(0.1).send(message).wait(0.1)
        assert vibrato_cents(lone) == pytest.approx(30.0, abs=1.0)


def test_key_pressure_moves_its_own_key_only() -> None:
    player = Player(pressure={"key": "level"}).send("90 45 7F", "90 51 7F").wait(0.1)
    before = player.level(69), player.level(81)
    player.send("A0 45 7F")
    assert player.level(69) == pytest.approx(before[0] + 6.0, abs=0.05)
    assert player.level(81) == pytest.approx(before[1], abs=0.05)
    player.send("A0 45 00")
    assert player.level(69) == pytest.approx(before[0], abs=0.05)


# CA-031: v14 = velocity·128 + CC 88, for the next note message of the channel only; and velocity 0
# is a Note Off whatever came before.
def test_a_velocity_may_have_fourteen_bits() -> None:
    def level(*messages: str) -> float:
        return Player().send(*messages).level()

    plain, next_one = level("90 45 40"), level("90 45 41")
    between = level("B0 58 40", "90 45 40")
    assert plain < between < next_one
    assert between - plain == pytest.approx((next_one - plain) / 2, abs=0.02)
    assert level("B0 58 40", "B0 01 00", "90 45 40") == between
    assert level("B0 58 40", "90 30 40", "90 45 40") == pytest.approx(plain, abs=0.01)
    assert level("B0 58 40", "80 30 40", "90 45 40") == plain
    assert level("B1 58 40", "90 45 40") == plain


def test_a_prefix_does_not_make_a_note_of_velocity_0() -> None:
    player = Player().send("90 45 40", "B0 58 7F", "90 45 00").wait(0.4)
    assert player.silent()
    assert player.accounts == {"released": 1}


# MIDI p. 10: 64 is the release velocity of keys that have none.
def test_a_key_that_comes_up_fast_is_released_fast() -> None:
    def level(off: str) -> float:
        return Player().send("90 45 7F").wait(0.1).send(off).wait(0.03).level(seconds=0.01)

    assert level("80 45 7F") < level("80 45 40") < level("80 45 01")
    assert level("90 45 00") == level("80 45 40") == level("80 45 00")


def test_a_voice_that_goes_back_to_a_key_forgets_how_fast_the_other_one_came_up() -> None:
    def level(other_off: str) -> float:
        player = Player().send("B0 7E 01", "90 45 7F").wait(0.1).send("90 46 7F").wait(0.1)
        return player.send(other_off).wait(0.1).send("80 45 40").wait(0.03).level(seconds=0.01)

    assert level("80 46 7F") == pytest.approx(level("80 46 40"), abs=1e-3)


def test_release_velocity_can_be_turned_off() -> None:
    off = {"release_octaves": 0.0}
    heard = [
        Player(controller=off).send("90 45 7F").wait(0.1).send(f"80 45 {v}").hear(0.1)
        for v in ("01", "7F")
    ]
    assert np.array_equal(heard[0], heard[1])


# MIDI A-4: a receiver may stack, retrigger or ignore; redundant Note Offs do no harm.
def test_a_key_struck_twice_sounds_once_and_the_first_note_off_ends_it() -> None:
    player = Player().send("90 45 7F").wait(0.05).send("90 45 7F", "80 45 40").wait(0.4)
    assert player.silent()
    assert player.accounts == {"retriggered": 1, "released": 1}
    player.send("80 45 40")
    assert player.accounts == {"retriggered": 1, "released": 1}


def test_note_offs_can_be_counted() -> None:
    player = Player(controller={"counted_note_offs": True})
    player.send("90 45 7F", "90 45 7F", "80 45 40").wait(0.4)
    assert player.level() > -60
    player.send("80 45 40").wait(0.4)
    assert player.silent()
    player.send("90 45 7F", "80 45 40").wait(0.4)
    assert player.silent()
    assert player.accounts == {"retriggered": 1, "released": 2}


def test_a_binding_overrides_the_meaning_of_its_controller() -> None:
    bound = [{"control": 64, "target": "volume", "low": -40.0, "high": 0.0}]
    player = Player(bindings=bound).send("90 45 7F")
    before = player.level()
    player.control(64, 0)
    assert player.level() == pytest.approx(before - 40.0, abs=0.1)
    player.control(64, 127).send("80 45 40").wait(0.4)
    assert player.silent()


@pytest.mark.parametrize(
    ("kind", "message"),
    [
        ("program_change", "C0 00"),
        ("pitch_bend", "E0 00 00"),
        ("channel_pressure", "D0 7F"),
        ("key_pressure", "A0 45 7F"),
        ("control_change", "B0 07 00"),
        ("mode_message", "B0 78 00"),
        ("system_exclusive", "F0 7F 7F 04 01 00 00 F7"),
    ],
)
def test_what_the_settings_ignore_changes_nothing(kind: str, message: str) -> None:
    chosen = {"name": "x", "programs": ["other"]}
    again = "90 3C 7F"
    deaf = Player(sound=chosen, controller={"ignore": [kind]}).send("90 45 7F", message, again)
    plain = Player(sound=chosen).send("90 45 7F", again)
    heard = Player(sound=chosen).send("90 45 7F", message, again)
    expected = plain.hear(0.3)
    assert np.array_equal(deaf.hear(0.3), expected)
    assert not np.array_equal(heard.hear(0.3), expected)


def test_streams_that_mido_writes_do_what_their_bytes_say() -> None:
    written = [
        mido.Message("control_change", control=7, value=90, channel=2),
        mido.Message("pitchwheel", pitch=-2048, channel=2),
        mido.Message("aftertouch", value=20, channel=2),
        mido.Message("polytouch", note=69, value=7, channel=2),
        mido.Message("program_change", program=0, channel=2),
    ]
    player = Player()
    for message in written:
        player.instrument.receive(message)
    channel = player.instrument.channel(2)
    assert (channel.values[7], channel.bend, channel.pressure) == (90, -2048, 20)


def test_no_controller_makes_a_click() -> None:
    """Each jump of a controller while a sine sounds stays far from a step in its samples."""
    player = Player().send("90 3C 7F").wait(0.1)
    step = player.step(0.1)
    for number in (1, 7, 8, 10, 11, 70, 71, 74, 76, 77):
        for value in (0, 127, 64):
            assert player.control(number, value).step(0.05) < 2.5 * step, (number, value)
