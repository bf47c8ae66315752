"""Pictures: what is drawn lies where it happened, on paper and in the terminal."""

import io
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from config.library import shipped
from config.sound import Sound
from daemon.drawing import performance_picture, sound_picture
from daemon.drawing.canvas import Axis
from daemon.drawing.palette import ACCENT, ACCOUNTS, LIGHT_RAMP, OTHER, PEAK, shades
from daemon.drawing.performance_picture import LEFT, NOTES, RIGHT, draw
from daemon.drawing.spectrogram import frequency_range, level_lines, spectrogram
from daemon.drawing.terminal_picture import account_mark, lines
from daemon.key_names import key_name
from daemon.offline.scene import Bar, Mark, Scene, bars
from voices.notes.note_count import Ledger

RATE = 48_000


def tone(hertz: float, level: float, seconds: float) -> NDArray[np.float32]:
    times = np.arange(round(seconds * RATE)) / RATE
    wave = level * np.sin(2 * np.pi * hertz * times)
    return np.repeat(wave[:, np.newaxis], 2, axis=1).astype(np.float32)


def bar(key: int, start: float, end: float, account: str = "released") -> Bar:
    return Bar(key, start, end, end, account, "", 0)


def scene(*notes: Bar, audio: NDArray[np.float32] | None = None) -> Scene:
    sound = tone(440, 0.1, 10.0) if audio is None else audio
    return Scene("A test", list(notes), [Mark(5.0, "pulled out")], [(5.0, 6.0)], sound, RATE, -1.0)


@cache
def drawn_note() -> bytes:
    return draw(scene(bar(60, 1.0, 2.0)))


def pixels(content: bytes) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(content)).convert("RGB"))


def places(picture: NDArray[np.uint8], colour: tuple[int, int, int]) -> NDArray[np.int64]:
    return np.argwhere((picture == colour).all(axis=2))


def grey(colour: tuple[int, int, int]) -> float:
    """The luma of ITU-R BT.709."""
    red, green, blue = colour
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_a_note_is_drawn_in_the_colour_of_its_account_at_its_time() -> None:
    notes = [bar(60, 2.0, 4.0, "stolen"), bar(48, 0.0, 1.0), bar(72, 9.0, 10.0)]
    picture = pixels(draw(scene(*notes)))
    row = places(picture[NOTES[0] : NOTES[1]], ACCOUNTS["stolen"])
    left, right = row[:, 1].min(), row[:, 1].max()
    assert left == pytest.approx(LEFT + (RIGHT - LEFT) * 0.2, abs=3)
    assert right == pytest.approx(LEFT + (RIGHT - LEFT) * 0.4, abs=3)
    # C4 lies in the middle between C3 and C5.
    assert (row[:, 0].min() + row[:, 0].max()) / 2 == pytest.approx(
        (NOTES[1] - NOTES[0]) / 2, abs=2
    )


def test_accounts_are_told_apart_without_colour_too() -> None:
    colours = {*ACCOUNTS.values(), OTHER}
    levels = sorted(grey(colour) for colour in colours - {OTHER})
    assert np.diff(levels).min() >= 25
    marks = [account_mark(name, colour=False).plain for name in ("stolen", "cut", "retriggered")]
    assert len({*marks, account_mark("released", colour=False).plain}) == 4


def test_one_colour_means_one_thing() -> None:
    pulled = pixels(drawn_note())
    for account in ("stolen", "cut", "retriggered"):
        assert not len(places(pulled, ACCOUNTS[account]))


def test_the_same_scene_gives_the_same_file() -> None:
    assert draw(scene(bar(60, 1.0, 2.0))) == drawn_note()


def test_a_picture_of_nothing_can_be_drawn() -> None:
    nothing = Scene("Nothing", [], [], [], np.zeros((0, 2), np.float32), RATE, -1.0)
    height, width = performance_picture.HEIGHT, performance_picture.WIDTH
    assert pixels(draw(nothing)).shape == (height, width, 3)
    assert lines(nothing)


def test_a_tone_stands_in_the_row_of_its_frequency_at_its_level() -> None:
    levels = spectrogram(
        tone(1000, 0.1, 2.0), RATE, rows=240, columns=9, low_hz=62.5, high_hz=16_000
    )
    row = int(levels[:, 4].argmax())
    # 1000 Hz is half way from 62.5 to 16,000 on a logarithmic scale, and 0.1 is -20 dB.
    assert row == pytest.approx(120, abs=1)
    # A Hann window's bins lie up to 1.42 dB below a tone between them (Harris 1978).
    assert -21.42 <= levels[row, 4] <= -19.99
    assert levels[60, 4] < -90


@pytest.mark.parametrize("hertz", [65.4, 440, 3000])
def test_the_axis_begins_and_ends_near_what_is_heard(hertz: float) -> None:
    low, high = frequency_range(tone(hertz, 0.1, 2.0) + tone(2.1 * hertz, 0.05, 2.0), RATE)
    assert hertz / 1.5 < low < hertz
    assert 2.1 * hertz < high < 10 * hertz


def test_levels_are_those_of_a_sine() -> None:
    peaks, means = level_lines(tone(1000, 0.5, 1.0), 4)
    assert peaks == pytest.approx([-6.02] * 4, abs=0.01)
    # A sine's RMS is its peak over the square root of two: 3.01 dB less.
    assert means == pytest.approx([-9.03] * 4, abs=0.01)


def test_louder_is_darker_all_along_the_ramp() -> None:
    ink = shades(LIGHT_RAMP, np.linspace(0, 1, 101)).astype(int).sum(axis=1)
    assert (np.diff(ink) <= 0).all()


def test_a_logarithmic_axis_gives_every_octave_the_same_room() -> None:
    axis = Axis(100, 1600, [], [], log=True)
    assert [axis.part(hz) for hz in (100, 200, 400, 800, 1600)] == pytest.approx(
        [0, 0.25, 0.5, 0.75, 1]
    )


def test_key_names_count_middle_c_as_c4() -> None:
    assert [key_name(key) for key in (0, 60, 69, 73, 127)] == ["C-1", "C4", "A4", "C#5", "G9"]


def test_a_stolen_note_ends_where_its_taker_began() -> None:
    ledger = Ledger()
    old = ledger.note_on(0, 1, 48, 100, 0)
    ledger.note_on(0, 1, 60, 100, RATE)
    ledger.end(old, "stolen", RATE, taken_by=2)
    first, second = bars(ledger.notes, RATE, 3 * RATE)
    assert (first.end_s, first.release_s, first.detail) == (1.0, 3.0, "by C4")
    assert first.needed == 2
    assert second.end_s == 3.0


@pytest.mark.parametrize("colour", [True, False])
@pytest.mark.parametrize("width", [40, 79, 120])
def test_the_terminal_picture_keeps_its_width(width: int, colour: bool) -> None:
    notes = [bar(key, 0.3 * (key - 48), 0.3 * (key - 47)) for key in range(48, 73)]
    assert max(line.cell_len for line in lines(scene(*notes), width, colour=colour)) <= width


def test_the_terminal_shows_a_note_in_its_row_and_columns() -> None:
    drawn = lines(scene(bar(72, 0, 5), bar(60, 5, 10, "stolen"), bar(48, 0, 1)), 79)
    rows = {line.plain[:6].strip(): line for line in drawn}
    assert rows["C5"].plain[6:42].count("▀") == 36
    assert rows["C5"].plain[44:].strip() == ""
    assert rows["C4"].plain[6:40].strip() == ""
    inks = {span.style.color.triplet for span in rows["C4"].spans if span.style.color}  # type: ignore[union-attr]
    assert inks == {ACCOUNTS["stolen"]}


def test_without_colours_the_terminal_says_by_letters_what_became_of_a_note() -> None:
    notes = [bar(72, 0, 5), bar(60, 5, 10, "stolen"), bar(59, 5, 10, "cut"), bar(48, 0, 1)]
    drawn = lines(scene(*notes), 79, colour=False)
    rows = [line.plain for line in drawn]
    top = next(number for number, row in enumerate(rows) if row.startswith("   C5"))
    assert rows[top][6:42] == "█" * 36
    assert rows[top + 12][6:].strip() == "S" * 36
    assert rows[top + 13][6:].strip() == "C" * 36


def test_of_many_keys_on_a_line_the_lost_note_is_shown() -> None:
    notes = [bar(key, 0, 10) for key in range(21, 109)]
    notes[50] = bar(71, 0, 10, "stolen")
    drawn = lines(scene(*notes), 79, colour=False)
    assert len(drawn) < 45
    assert sum("S" * 72 in line.plain for line in drawn) == 1


def test_the_level_strip_moves_with_the_music() -> None:
    steps = np.concatenate([tone(440, level, 2.0) for level in (0.1, 0.05, 0.025, 0.1, 0.0125)])
    drawn = lines(scene(bar(60, 0, 10), audio=steps), 79, colour=False)
    strip = [line.plain[6:] for line in drawn[-4:-1]]
    columns = ["".join(column) for column in zip(*strip, strict=True)]
    assert len({columns[at] for at in (7, 21, 35, 64)}) == 4


def test_the_words_on_the_cable_stand_beside_their_arrows() -> None:
    marks = [Mark(at_s, words) for at_s, words in ((0.9, "in"), (6.0, "out"), (6.6, "in again"))]
    sound = tone(440, 0.1, 10.0)
    cable = Scene("A test", [bar(60, 1, 2)], marks, [], sound, RATE, -1.0)
    assert lines(cable, 79)[0].plain.split() == ["▼", "in", "out", "▼", "▼", "in", "again"]


def test_without_colours_there_are_none() -> None:
    assert not any(line.spans for line in lines(scene(bar(60, 0, 5)), colour=False))


@pytest.mark.parametrize(
    "name",
    [
        "market-organ",
        *(pytest.param(each, marks=pytest.mark.slow) for each in ("sine", "tower-bell", "flat64")),
    ],
)
def test_every_kind_of_sound_has_a_picture(name: str) -> None:
    picture = pixels(sound_picture.draw(shipped(), name))
    assert picture.shape == (sound_picture.HEIGHT, sound_picture.WIDTH, 3)
    top, bottom = sound_picture.SPECTRUM
    # The heads of the partials in the spectrum.
    assert len(places(picture[top:bottom], ACCENT)) > 20


@pytest.mark.slow
@pytest.mark.parametrize(("decay_s", "heard_s"), [(2.0, 2.4), (10.0, 12.0), (50.0, 20.0)])
def test_a_sound_that_dies_away_is_drawn_to_its_end(decay_s: float, heard_s: float) -> None:
    """A T60 of 10 s has fallen by 72 dB, to the bottom of the picture, after 12."""
    plain = {"title": "B", "about": "B.", "partials": {"count": 1, "decay_s": decay_s}}
    bell = {"bell": Sound.model_validate(plain)}
    held = sound_picture.note(bell, "bell", sound_picture.LONGEST_S, 30.0)
    assert sound_picture.heard_s(held) == pytest.approx(heard_s, rel=0.02)
    assert pixels(sound_picture.draw(bell, "bell")).any()


def spectrum_of(pan: float, noise: dict[str, object] | None = None) -> NDArray[np.uint8]:
    """Return what is drawn of the spectrum of one partial, and how far from it to each side."""
    rank = {"harmonics": 1, "pan": pan, "decay_s": 0.5}
    plain = {"title": "A", "about": "A.", "ranks": [rank], "onset_noise": noise}
    sounds = {"a": Sound.model_validate({key: each for key, each in plain.items() if each})}
    top, bottom = sound_picture.SPECTRUM
    return pixels(sound_picture.draw(sounds, "a"))[top:bottom]


@pytest.mark.slow
def test_a_dash_leads_to_the_side_where_a_partial_stands() -> None:
    left, middle, right = (places(spectrum_of(pan), ACCENT)[:, 1] for pan in (-1.0, 0.0, 1.0))
    line = round(float(middle.mean()))
    assert line - left.min() > 2 * (left.max() - line)
    assert right.max() - line > 2 * (line - right.min())
    assert middle.max() - line == pytest.approx(line - middle.min(), abs=1)


@pytest.mark.slow
def test_the_noise_of_an_onset_is_drawn_beside_the_partials_at_its_frequencies() -> None:
    noisy = {"hz": [1000.0, 4000.0], "partials": 12, "level_db": -20.0}
    assert len(places(spectrum_of(0.0), PEAK)) == 0
    rows, columns = places(spectrum_of(0.0, noisy), PEAK).T
    line = places(spectrum_of(0.0, noisy), ACCENT)
    assert columns.min() > line[:, 1].max()
    # Each of twelve is 10·log10(12) dB below -20 dB, on a scale of 75 dB.
    height = sound_picture.SPECTRUM[1] - sound_picture.SPECTRUM[0]
    below_db = (np.median(rows) - np.median(line[:, 0])) * 75.0 / height
    assert below_db == pytest.approx(20.0 + 10 * np.log10(12), abs=1.0)


def test_a_held_note_that_beats_does_not_die_away_and_one_that_falls_does() -> None:
    falling = tone(261.6, 0.1, 20.0)[:, 0] * np.exp(-np.arange(20 * RATE) / RATE / 3)
    beating = tone(261.6, 0.1, 20.0)[:, 0] + tone(262.225, 0.1, 20.0)[:, 0]  # 12.5 times
    assert not sound_picture.dies_away(beating)
    assert sound_picture.dies_away(falling.astype(np.float32))
