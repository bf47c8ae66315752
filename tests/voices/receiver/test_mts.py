"""MIDI tuning messages, from bytes to pitch.

Source: MIDI Tuning Messages (CA-020, CA-021, RP-020, 1999). Its list of examples has slips of
arithmetic (00 00 01 is printed as 8.2104 Hz where its own formula gives 8.1758); the formula is
followed.
"""

import pytest

from config.temperament import NAMES, Temperament, offsets
from tests.support.receiver_player import Player
from voices.receiver import mts

# Computed from the formula: semitone + 14 bits of a semitone.
WORDS = {
    "45 00 00": 440.0,
    "45 05 04": 441.0,
    "45 0A 06": 442.0,
    "44 57 2B": 432.0,
    "43 7E 30": 415.0,
    "3B 4F 6A": 256.0,
    "3C 00 00": 261.6256,
    "7A 2F 26": 9600.0,
    "44 7F 7F": 439.99845,
    "45 00 01": 440.00155,
    "00 00 00": 8.1758,
    "00 00 01": 8.175828,
    "78 00 01": 8372.0476,
    "7F 00 00": 12543.854,
    "7F 7F 7E": 13289.6566,
}
HALF_A_STEP_CENTS = 100 / 16384 / 2


@pytest.mark.parametrize("word", WORDS)
def test_three_bytes_are_a_frequency(word: str) -> None:
    pitch = mts.pitch_of(bytes.fromhex(word))
    assert pitch is not None
    # Half a step, and the table's own rounding.
    hertz = 440.0 * 2 ** ((pitch - 69) / 12)
    assert hertz == pytest.approx(WORDS[word], rel=HALF_A_STEP_CENTS * 5.8e-4 + 4e-6)
    assert mts.word_of(pitch) == bytes.fromhex(word)


def test_all_bytes_at_their_highest_are_no_change() -> None:
    assert mts.pitch_of(bytes((127, 127, 127))) is None
    assert mts.word_of(200.0) == bytes((127, 127, 126))


# The example of CA-020: key 69 at 442 Hz, 7.851 cents up.
FOUR_FOUR_TWO = "F0 7F 7F 08 02 00 01 45 45 0A 06 F7"


def test_a_single_note_change_retunes_its_key_and_no_other() -> None:
    player = Player().send(FOUR_FOUR_TWO, "90 45 7F")
    assert player.cents(69) == pytest.approx(7.849, abs=0.02)
    player.send("80 45 40", "90 51 7F").wait(0.3)
    assert player.cents(81) == pytest.approx(0.0, abs=0.05)


def test_a_sounding_note_follows_in_real_time_without_a_click_or_a_new_attack() -> None:
    player = Player().send("90 45 7F").wait(0.2)
    step = player.step(0.1)
    player.send("F0 7F 7F 08 02 00 01 45 47 00 00 F7")  # two semitones up
    assert player.step(0.1) < 1.3 * step
    assert player.cents(71) == pytest.approx(0.0, abs=0.05)
    assert player.accounts == {"sounding": 1}


def test_a_change_of_many_keys_and_one_of_no_change() -> None:
    player = Player().send("F0 7F 7F 08 02 00 02 45 46 00 00 51 7F 7F 7F F7", "90 45 7F")
    assert player.cents(70) == pytest.approx(0.0, abs=0.05)
    player.send("80 45 40", "90 51 7F").wait(0.3)
    assert player.cents(81) == pytest.approx(0.0, abs=0.05)


# RP-020: with a bank, 7F follows in real time, 7E from the next note on.
@pytest.mark.parametrize(("header", "sounding"), [("7F", 70), ("7E", 69)])
def test_a_change_in_a_bank_is_in_real_time_or_not(header: str, sounding: int) -> None:
    player = Player().send("90 45 7F").wait(0.1)
    player.send(f"F0 {header} 7F 08 07 00 00 01 45 46 00 00 F7")
    assert player.cents(sounding) == pytest.approx(0.0, abs=0.05)
    player.send("80 45 40").wait(0.4).send("90 45 7F")
    assert player.cents(70) == pytest.approx(0.0, abs=0.05)


# RPN 3 and 4 (MIDI p. 18): a tuning program that is not there changes nothing.
def test_tuning_programs_are_chosen_by_parameter() -> None:
    player = Player().send("F0 7F 7F 08 07 02 05 01 45 46 00 00 F7", "90 45 7F")
    assert player.cents(69) == pytest.approx(0.0, abs=0.05)
    player.send("80 45 40").wait(0.4)
    select = ("B0 65 00", "B0 64 04", "B0 06 02", "B0 64 03", "B0 06 05")
    player.send(*select, "90 45 7F")
    assert player.cents(70) == pytest.approx(0.0, abs=0.05)
    player.send("80 45 40", "B0 06 63").wait(0.4).send("90 45 7F")  # unknown: as it was
    assert player.cents(70) == pytest.approx(0.0, abs=0.05)
    player.send("80 45 40", "B0 64 04", "B0 06 00", "B0 64 03", "B0 06 00").wait(0.4)
    player.send("90 45 7F")
    assert player.cents(69) == pytest.approx(0.0, abs=0.05)


def test_tuning_programs_have_an_end() -> None:
    player = Player()
    for program in range(128):
        player.send(bytes((0xF0, 0x7F, 0x7F, 8, 7, 1, program, 1, 69, 70, 0, 0, 0xF7)))
    player.send("F0 7F 7F 08 07 02 00 01 45 47 00 00 F7")
    select = ("B0 65 00", "B0 64 04", "B0 06 02", "B0 64 03", "B0 06 00")
    player.send(*select, "90 45 7F")
    assert player.cents(69) == pytest.approx(0.0, abs=0.05)


# --- dumps ------------------------------------------------------------------------------------


# CA-020: 408 bytes; the sum by the rule of RP-020, computed for this content.
def test_a_dump_of_equal_temperament_is_the_published_one() -> None:
    body = bytes.fromhex("7E 00 08 01 00") + mts.name_bytes("EQUAL TEMPERAMNT")
    body += b"".join(bytes((key, 0, 0)) for key in range(128))
    assert mts.checksum(body) == 0x16
    assert len(body) + 3 == mts.DUMP_BYTES == 408


@pytest.mark.parametrize(("ask", "head"), [("00 00", "01 00"), ("03 00 00", "04 00 00")])
def test_a_dump_request_is_answered_with_what_the_keys_have(ask: str, head: str) -> None:
    player = Player(tuning={"a4_hz": 442.0}).send(f"F0 7E 7F 08 {ask} F7", controller=3)
    controller, reply = player.instrument.replies.popleft()
    assert controller == 3
    assert reply[:5] == bytes.fromhex("F0 7E 00 08") + bytes.fromhex(head)[:1]
    assert len(reply) == 408 + (len(bytes.fromhex(head)) - 2)
    words = reply[-2 - 384 : -2]
    assert words[69 * 3 : 69 * 3 + 3] == bytes.fromhex("45 0A 06")
    assert reply[-2] == mts.checksum(reply[1:-2])


def test_what_one_instrument_dumps_another_plays() -> None:
    sender = Player(tuning={"temperament": "vallotti"}).send("F0 7E 7F 08 00 00 F7")
    dump = sender.instrument.replies.popleft()[1]
    player = Player().send(dump, "90 3C 7F")
    assert player.cents(60) == pytest.approx(offsets("vallotti")[0], abs=0.05)


# RP-020: exclusive-or of all bytes between F0 and the sum, seven bits of it.
def test_the_sum_is_that_of_all_seven_bits() -> None:
    assert mts.checksum((0x7E, 0x00, 0x08)) == 0x76
    assert mts.checksum((0x7E, 0x01)) == 0x7F
    assert mts.checksum((0x41, 0x41, 0x41)) == 0x41


def test_a_dump_of_a_program_that_is_not_there_is_not_sent() -> None:
    player = Player().send("F0 7E 7F 08 00 07 F7", "F0 7E 7F 08 03 01 07 F7")
    assert not player.instrument.replies


@pytest.mark.parametrize("spoiled", [False, True])
def test_the_sum_of_the_second_edition_counts(spoiled: bool) -> None:
    """RP-020 defines it for 08 04 to 08 06; that of 08 01 may be ignored."""
    body = bytes.fromhex("7E 7F 08 04 00 00") + mts.name_bytes("half up")
    body += b"".join(bytes((key, 64, 0)) for key in range(128))
    dump = b"\xf0" + body + bytes((mts.checksum(body) ^ spoiled, 0xF7))
    player = Player().send(dump, "90 45 7F")
    assert player.cents(69) == pytest.approx(0.0 if spoiled else 50.0, abs=0.05)


@pytest.mark.parametrize("width", [1, 2])
def test_scale_dumps_are_programs_of_their_own(width: int) -> None:
    cents = [-13.0, 50.0, 0.0, 8.0, 3.0, 0.0, 0.0, 0.0, 0.0, 20.0, 0.0, 0.0]
    body = bytes((0x7E, 0x7F, 8, 4 + width, 1, 2)) + mts.name_bytes("scale")
    body += mts.octave_bytes(cents, width)
    player = Player().send(b"\xf0" + body + bytes((mts.checksum(body), 0xF7)))
    player.send("B0 65 00", "B0 64 04", "B0 06 01", "B0 64 03", "B0 06 02", "90 45 7F")
    assert player.cents(69) == pytest.approx(20.0, abs=0.05)


# --- scale/octave -----------------------------------------------------------------------------

# CA-021, quarter-comma meantone with A at 0, computed from its fifths.
MEANTONE = {
    1: "4A 32 43 55 3D 4E 36 47 2F 40 51 39",
    2: "46 49 37 1F 42 18 4D 12 3D 68 48 61 39 37 44 31 35 07 40 00 4A 79 3B 4F",
}
MEANTONE_CENTS = (
    *(10.266, -13.684, 3.418, 20.532, -3.418, 13.684),
    *(-10.266, 6.848, -17.102, 0.0, 17.102, -6.848),
)


def scale(header: str, width: int, channels: str = "03 7F 7F") -> str:
    return f"F0 {header} 7F 08 0{7 + width} {channels} {MEANTONE[width]} F7"


@pytest.mark.parametrize("width", [1, 2])
@pytest.mark.parametrize("key", [60, 61, 68, 69, 75])
def test_a_scale_is_heard_in_every_octave(width: int, key: int) -> None:
    expected = MEANTONE_CENTS[key % 12]
    player = Player().send(scale("7F", width), bytes((0x90, key, 127)))
    assert player.cents(key) == pytest.approx(expected if width == 2 else round(expected), abs=0.05)


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("werckmeister-3", "4C 42 44 46 42 4A 40 48 44 40 48 44"),
        ("vallotti", "46 40 42 44 3E 48 3E 44 42 40 46 3C"),
        ("quarter-comma-meantone", MEANTONE[1]),
    ],
)
def test_one_byte_scales_are_the_temperaments_in_whole_cents(
    name: Temperament, values: str
) -> None:
    assert name in NAMES
    assert mts.octave_bytes(offsets(name), 1) == bytes.fromhex(values)
    assert mts.octave_cents(bytes.fromhex(values), 1) == pytest.approx(offsets(name), abs=0.5)


def test_a_two_byte_scale_has_the_published_steps() -> None:
    assert mts.octave_bytes(offsets("quarter-comma-meantone"), 2) == bytes.fromhex(MEANTONE[2])
    assert mts.octave_cents(bytes.fromhex(MEANTONE[2]), 2) == pytest.approx(
        MEANTONE_CENTS, abs=0.0005
    )
    assert mts.octave_cents(bytes(24), 2)[0] == -100.0
    assert mts.octave_cents(bytes([127] * 24), 2)[0] == pytest.approx(99.988, abs=0.001)
    assert mts.octave_cents(bytes(12), 1)[0] == -64.0


def test_scales_are_not_cumulative_and_equal_is_where_they_start() -> None:
    player = Player(tuning={"temperament": "just"})
    player.send(scale("7F", 2), scale("7F", 2), "90 3C 7F")
    assert player.cents(60) == pytest.approx(MEANTONE_CENTS[0], abs=0.05)


def test_a_scale_is_for_the_channels_it_names() -> None:
    assert mts.channels_of(3, 127, 127) == list(range(16))
    assert mts.channels_of(2, 0, 1) == [0, 15]
    assert mts.channels_of(0, 1, 0) == [7]
    player = Player().send(scale("7F", 2, "00 00 02"), "90 3C 7F")
    assert player.cents(60) == pytest.approx(0.0, abs=0.05)
    player.send("80 3C 40").wait(0.4).send("91 3C 7F")
    assert player.cents(60) == pytest.approx(MEANTONE_CENTS[0], abs=0.05)


@pytest.mark.parametrize("width", [1, 2])
@pytest.mark.parametrize(("header", "retuned"), [("7F", True), ("7E", False)])
def test_only_a_scale_in_real_time_retunes_what_sounds(
    header: str, retuned: bool, width: int
) -> None:
    player = Player().send("90 3C 7F").wait(0.1).send(scale(header, width))
    # One byte has whole cents.
    assert player.cents(60) == pytest.approx(
        retuned * MEANTONE_CENTS[0], abs=0.05 if width == 2 else 0.5
    )
    player.send("80 3C 40").wait(0.4).send("90 3C 7F")
    assert player.cents(60) == pytest.approx(MEANTONE_CENTS[0], abs=0.5)


def test_new_tuning_in_the_settings_takes_the_place_of_what_messages_set() -> None:
    player = Player().send(FOUR_FOUR_TWO, scale("7F", 2))
    changed = player.instrument.settings.model_copy(
        update={"tuning": player.instrument.settings.tuning.model_copy(update={"a4_hz": 415.0})}
    )
    player.instrument.apply(changed)
    player.send("90 45 7F")
    assert player.cents(68) == pytest.approx(-1.27, abs=0.05)
