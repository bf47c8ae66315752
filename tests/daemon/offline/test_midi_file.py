"""Standard MIDI Files: the rules of RP-001 (Standard MIDI Files 1.0), and files others wrote."""

import io
import struct
from pathlib import Path

import mido
import music21
import pytest

from daemon.errors import RunError
from daemon.offline.midi_file import parse, read

PRIMITIVES = sorted((Path(music21.__file__).parent / "midi/testPrimitive").glob("*.mid"))


def header(kind: int, tracks: int, division: bytes) -> bytes:
    return b"MThd" + struct.pack(">IHH", 6, kind, tracks) + division


def track(body: str, *, end: str = "00 FF 2F 00", longer: int = 0) -> bytes:
    content = bytes.fromhex(body + end)
    return b"MTrk" + struct.pack(">I", len(content) + longer) + content


def whole(*tracks: bytes, kind: int = 1, division: bytes = b"\x01\xe0") -> bytes:
    return header(kind, len(tracks), division) + b"".join(tracks)


@pytest.mark.parametrize("path", PRIMITIVES, ids=lambda path: path.stem)
def test_other_peoples_files_read_as_an_independent_reader_has_them(path: Path) -> None:
    song = read(path)
    theirs = mido.MidiFile(path, clip=True)
    assert song.length_s == pytest.approx(theirs.length, abs=1e-6)
    now, messages = 0.0, []
    for message in theirs:
        now += message.time
        if not message.is_meta:
            messages.append((now, bytes(message.bytes())))
    # At one moment the order of the tracks is free; theirs is one, ours another.
    ours_sorted, theirs_sorted = (
        sorted((round(time_s, 4), message) for time_s, message in events)
        for events in (song.events, messages)
    )
    for ours, other in zip(ours_sorted, theirs_sorted, strict=True):
        assert ours[1] == other[1]
    for ours, other in zip(song.events, messages, strict=True):
        assert ours[0] == pytest.approx(other[0], abs=1e-6)


def test_without_a_tempo_a_quarter_note_lasts_half_a_second() -> None:
    # RP-001: no tempo means 120 quarter notes a minute; division 480 = 01 E0, 480 = 83 60.
    song = parse(whole(track("83 60 90 45 40 83 60 80 45 40")), "x")
    assert [time for time, _ in song.events] == [0.5, 1.0]


def test_a_tempo_in_the_first_track_rules_the_others() -> None:
    # FF 51 03 0F 42 40 is one second a quarter note; after a quarter of it, half a second.
    tempi = track("00 FF 51 03 0F 42 40 83 60 FF 51 03 07 A1 20")
    notes = track("83 60 90 45 40 83 60 80 45 40")
    assert [time for time, _ in parse(whole(tempi, notes), "x").events] == [1.0, 1.5]


def test_of_two_tempi_at_one_tick_the_later_counts() -> None:
    both = track("00 FF 51 03 0F 42 40 00 FF 51 03 07 A1 20 83 60 90 45 40")
    assert parse(whole(both), "x").events[0][0] == 0.5


@pytest.mark.parametrize(
    ("division", "seconds"),
    [
        # RP-001: E7 28 (25 frames, 40 ticks) is exactly a millisecond a tick; E2 50: 1/2400 s.
        ("E7 28", 0.001),
        ("E2 50", 1 / 2400),
        ("E8 04", 1 / 96),
        ("E3 01", 1001 / 30000),
    ],
)
def test_a_time_code_division_sets_the_tick_and_tempo_does_not_matter(
    division: str, seconds: float
) -> None:
    body = track("00 FF 51 03 0F 42 40 64 90 45 40")
    song = parse(whole(body, division=bytes.fromhex(division)), "x")
    assert song.events[0][0] == pytest.approx(100 * seconds, rel=1e-12)


@pytest.mark.parametrize(
    ("written", "value"),
    [
        # The table of RP-001.
        ("00", 0),
        ("40", 0x40),
        ("7F", 0x7F),
        ("81 00", 0x80),
        ("C0 00", 0x2000),
        ("FF 7F", 0x3FFF),
        ("81 80 00", 0x4000),
        ("C0 80 00", 0x100000),
        ("FF FF 7F", 0x1FFFFF),
        ("81 80 80 00", 0x200000),
        ("C0 80 80 00", 0x8000000),
        ("FF FF FF 7F", 0xFFFFFFF),
    ],
)
def test_delta_times_are_variable_length_numbers(written: str, value: int) -> None:
    song = parse(whole(track(written + "90 45 40"), division=b"\xe7\x28"), "x")
    assert song.events[0][0] == pytest.approx(value / 1000, rel=1e-12)


def test_running_status_runs_across_deltas() -> None:
    song = parse(whole(track("00 90 45 40 10 46 40 10 45 00")), "x")
    assert [message.hex() for _, message in song.events] == ["904540", "904640", "904500"]
    assert song.repairs == []


def test_a_whole_system_exclusive_message_is_played_and_a_piece_of_one_stepped_over() -> None:
    # As the example of RP-001, F0 05 <maker> 12 00 07 F7; then a continuation packet.
    song = parse(whole(track("00 F0 05 7D 12 00 07 F7 10 F7 02 01 02 00 90 45 40")), "x")
    assert [message.hex() for _, message in song.events] == ["f07d120007f7", "904540"]
    assert song.repairs == []


def test_unknown_chunks_and_a_longer_header_are_stepped_over() -> None:
    content = whole(track("00 90 45 40"))
    longer = b"MThd" + struct.pack(">I", 8) + content[8:14] + b"\0\0"
    strange = b"XFIH" + struct.pack(">I", 3) + b"abc"
    song = parse(longer + strange + content[14:] + strange, "x")
    assert (song.notes, song.repairs) == (1, [])


def test_notes_end_before_others_begin_at_the_same_moment_and_tracks_keep_their_order() -> None:
    first = track("00 90 45 40 10 91 46 40 00 91 46 00")
    second = track("00 90 47 40 10 90 47 00 00 B0 40 7F 00 80 45 00")
    song = parse(whole(first, second), "x")
    assert [message.hex() for _, message in song.events[2:]] == [
        "904700",
        "914640",
        "914600",
        "b0407f",
        "804500",
    ]


def test_independent_pieces_play_one_after_the_other_each_in_its_own_tempo() -> None:
    slow = track("00 FF 51 03 0F 42 40 00 90 45 40 83 60 80 45 40")
    plain = track("00 90 47 40 83 60 80 47 40")
    song = parse(whole(slow, plain, kind=2), "x")
    assert [time for time, _ in song.events] == [0.0, 1.0, 1.0, 1.5]
    assert song.length_s == 1.5


def test_the_song_lasts_until_the_end_of_its_longest_track() -> None:
    song = parse(whole(track("00 90 45 40", end="83 60 FF 2F 00"), track("")), "x")
    assert song.length_s == 0.5


def test_a_file_inside_a_riff_file_is_read() -> None:
    content = whole(track("00 90 45 40"))
    riff = b"RIFF" + struct.pack("<I", len(content) + 12) + b"RMIDdata"
    assert parse(riff + struct.pack("<I", len(content)) + content, "x").notes == 1


@pytest.mark.parametrize(
    ("content", "repair"),
    [
        (whole(track("00 90 45 C0")), "1 values over 127 taken as 127"),
        (whole(track("00 90 45 40", end="")), "no end-of-track"),
        (whole(track("00 90 45 40 00 45 40", longer=9)), "shorter than it says"),
        (whole(track("00 90 45 40 00 FF 01 01 41 00 45 00")), "running status after a meta"),
        (whole(track("00 90 45 40 00 F8 00 80 45 00")), "F8H has no place"),
        (whole(track("00 90 45 40 FF FF FF FF 7F 90")), "longer than four bytes"),
        (whole(track("00 90 45 40 00 90 45", end="")), "breaks off inside an event"),
        (header(1, 3, b"\0\x60") + track("00 90 45 40"), "says 3 tracks, the file has 1"),
        (header(7, 1, b"\0\x60") + track("00 90 45 40"), "format 7 is unknown"),
        (whole(track("00 90 45 40")) + b"\xff" * 40, "after the last track left out"),
    ],
)
def test_a_sloppy_file_plays_and_its_repair_is_reported(content: bytes, repair: str) -> None:
    song = parse(content, "x")
    assert song.notes >= 1
    assert any(repair in line for line in song.repairs), song.repairs


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"MThd\0\0", "truncated"),
        (b"", "not a Standard MIDI File"),
        (b"<!DOCTYPE html>", "not a Standard MIDI File"),
        (b"RIFF\0\0\0\0WAVEfmt ", "RIFF file of another kind"),
        (header(0, 1, b"\0\x60"), "no track"),
        (header(0, 1, b"\0\0") + track(""), "0 ticks"),
        (header(0, 1, b"\xf0\x04") + track(""), "time code 16"),
        (whole(track("00 90 45 40", longer=9, end="")), "truncated"),
        (whole(track("00 90 45 40"), track(""))[:-9], "truncated"),
    ],
)
def test_what_cannot_be_played_is_refused_in_one_line(content: bytes, reason: str) -> None:
    with pytest.raises(RunError, match=reason) as caught:
        parse(content, "song.mid")
    assert str(caught.value).startswith("song.mid: ")
    assert "\n" not in str(caught.value)


def test_every_truncation_of_a_song_is_refused_or_played_never_a_crash() -> None:
    content = PRIMITIVES[5].read_bytes()
    for size in range(0, len(content), 7):
        try:
            song = parse(content[:size], "x")
        except RunError:
            continue
        assert song.repairs


def test_what_mido_writes_is_read_back() -> None:
    made = mido.MidiFile(ticks_per_beat=96)
    made.add_track().extend(
        [
            mido.MetaMessage("set_tempo", tempo=400_000),
            mido.Message("note_on", note=60, velocity=100, time=96),
            mido.Message("pitchwheel", pitch=-8192, time=0),
            mido.Message("program_change", program=3, time=96),
        ]
    )
    stored = io.BytesIO()
    made.save(file=stored)
    song = parse(stored.getvalue(), "x")
    assert [(round(time, 9), message.hex()) for time, message in song.events] == [
        (0.4, "903c64"),
        (0.4, "e00000"),
        (0.8, "c003"),
    ]
