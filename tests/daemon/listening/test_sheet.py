"""What a controller turns out to be: its view, its sheet, and settings that are accepted."""

import tomllib

import pytest

from config.settings import Settings
from daemon.listening.live_view import view
from daemon.listening.seen import Knob, Seen
from daemon.listening.sheet import settings_lines, words

NAME = "Cargo Bike Keys 25"


def seen(*messages: bytes) -> Seen:
    made = Seen(NAME)
    for message in messages:
        made.take(message)
    return made


def struck(*velocities: int) -> list[bytes]:
    return [bytes((0x90, 48 + n, velocity)) for n, velocity in enumerate(velocities)]


def test_the_view_tells_the_last_message_keys_note_and_velocities() -> None:
    text = view([seen(b"\x90\x3c\x20", b"\x90\x45\x60", b"\x80\x3c\x40")])
    assert "last      channel 1: note off C4 (60)" in text
    assert "keys down A4" in text
    assert "note      A4, key 69, 440.00 Hz" in text
    assert "velocity  32 to 96, 2 values" in text
    assert view([]).startswith("no controller yet")


def test_keys_without_a_velocity_of_their_own_are_told_from_few_notes() -> None:
    made = seen(*struck(64, 64, 64, 64))
    assert "velocity  always 64: set fixed_velocity" in view([made])
    assert "fixed_velocity = 100" in "\n".join(settings_lines(made))
    assert seen(*struck(64, 64, 64)).fixed_velocity == 0
    assert seen(*struck(64, 64, 64, 64, 65)).fixed_velocity == 0


def test_a_knob_is_a_bar_with_its_travel() -> None:
    text = view([seen(b"\xb0\x4a\x00", b"\xb0\x4a\x7f", b"\xb0\x4a\x40")])
    line = next(line for line in text.splitlines() if "[" in line)
    assert "[########........]  64, 0 to 127" in line
    assert "trembles" not in line


@pytest.mark.parametrize(
    ("values", "noise"),
    [
        ([60, 61, 60, 61, 60, 61], 1),
        ([60, 62, 61, 62, 60, 62, 61], 2),
        (list(range(0, 128, 2)), 0),
        ([0, 127, 0, 127, 0, 127], 0),
        ([10, 11, 12, 13, 14, 15, 16], 0),
    ],
)
def test_trembling_is_told_from_turning(values: list[int], noise: int) -> None:
    knob = Knob()
    for value in values:
        knob.take(value)
    assert knob.noise == noise


def test_the_sheet_says_what_it_is_and_what_never_came() -> None:
    made = seen(*struck(20, 90), b"\xb2\x4a\x00", b"\xb2\x4a\x7f", b"\xb0\x40\x7f", b"\xb0\x40\x00")
    sheet = "\n".join(words(made))
    assert "keys      2 struck of the 2 from C3 to C#3" in sheet
    assert "channels  1, 3" in sheet
    assert "control   64 (hold 1): switch" in sheet or "64" in sheet
    assert "never came: release velocity, pitch bend, a modulation wheel, pressure" in sheet


def test_the_sheet_says_what_springs_back_and_that_one_velocity_is_all_there_was() -> None:
    sheet = list(words(seen(*struck(64), b"\xe0\x00\x20", b"\xd0\x30", b"\xd0\x00")))
    assert "  velocity  64" in sheet
    assert "  bend      32 to 32" in sheet
    assert "  pressure  0 to 48" in sheet
    assert sheet[-1].startswith("  never came: a second velocity, release velocity")


def test_its_settings_are_accepted_and_bind_only_free_knobs() -> None:
    turned = [bytes((0xB0, n, v)) for n in (1, 7, 20, 64, 74, 21, 72) for v in (0, 60, 90)]
    made = seen(*struck(64, 64, 64, 64), *turned)
    plain = tomllib.loads("\n".join(settings_lines(made)))
    settings = Settings.model_validate(plain)
    assert settings.controller.name == NAME
    assert settings.controller.fixed_velocity == 100
    bound = {each.control: each.target for each in settings.bindings}
    assert set(bound) == {20, 21, 72, 74}
    assert (bound[74], bound[72]) == ("tilt", "release")
    assert len(set(bound.values())) == 4


def test_a_strange_name_is_written_so_that_it_is_read_back() -> None:
    made = Seen('Keys "25" \\ ü')
    assert tomllib.loads("\n".join(settings_lines(made)))["controller"]["name"] == made.name


def test_no_line_of_the_view_is_wider_than_a_terminal() -> None:
    made = Seen("K" * 200)
    for number in range(40):
        made.take(bytes((0xB0, number, 99)))
    assert all(len(line) <= 79 for line in view([made]).splitlines())
    assert "more knobs" in view([made])
