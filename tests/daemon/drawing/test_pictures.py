"""Pictures: what is drawn lies where it happened, on paper and in the terminal."""

import io

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from config.library import shipped
from daemon.drawing import sound_picture
from daemon.drawing.canvas import Axis
from daemon.drawing.note_summary import TERMINAL_FATES
from daemon.drawing.performance_picture import FATES, draw, ramp
from daemon.drawing.spectrogram import level_lines, spectrogram
from daemon.drawing.terminal_picture import lines
from daemon.key_names import key_name
from daemon.offline.scene import Bar, Mark, Scene, bars
from voices.notes.note_count import Ledger

RATE = 48_000


def tone(hertz: float, level: float, seconds: float) -> NDArray[np.float32]:
    times = np.arange(round(seconds * RATE)) / RATE
    wave = level * np.sin(2 * np.pi * hertz * times)
    return np.repeat(wave[:, np.newaxis], 2, axis=1).astype(np.float32)


def bar(key: int, struck: float, ended: float, account: str = "released") -> Bar:
    return Bar(key, struck, ended, ended, account, "", 0)


def scene(*notes: Bar, audio: NDArray[np.float32] | None = None) -> Scene:
    sound = tone(440, 0.1, 10.0) if audio is None else audio
    return Scene("A test", list(notes), [Mark(5.0, "pulled out")], [(5.0, 6.0)], sound, RATE, -1.0)


def pixels(content: bytes) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(content)).convert("RGB"))


def places(picture: NDArray[np.uint8], colour: tuple[int, int, int]) -> NDArray[np.int64]:
    return np.argwhere((picture == colour).all(axis=2))


def test_a_note_is_drawn_in_the_colour_of_its_fate_at_its_time() -> None:
    with_it = pixels(
        draw(scene(bar(60, 2.0, 4.0, "stolen"), bar(48, 0.0, 1.0), bar(72, 9.0, 10.0)))
    )
    row = places(with_it[150:520], FATES["stolen"])
    left, right = row[:, 1].min(), row[:, 1].max()
    # Ten seconds lie on the 1374 columns from 96 on.
    assert left == pytest.approx(96 + 1374 * 0.2, abs=3)
    assert right == pytest.approx(96 + 1374 * 0.4, abs=3)
    # C4 lies in the middle between C3 and C5.
    assert (row[:, 0].min() + row[:, 0].max()) / 2 == pytest.approx(185, abs=2)


def test_the_same_scene_gives_the_same_file() -> None:
    assert draw(scene(bar(60, 1, 2))) == draw(scene(bar(60, 1, 2)))


def test_a_picture_of_nothing_can_be_drawn() -> None:
    nothing = Scene("Nothing", [], [], [], np.zeros((0, 2), np.float32), RATE, -1.0)
    assert pixels(draw(nothing)).shape == (1130, 1500, 3)
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


def test_levels_are_those_of_a_sine() -> None:
    peaks, means = level_lines(tone(1000, 0.5, 1.0), 4)
    assert peaks == pytest.approx([-6.02] * 4, abs=0.01)
    # A sine's RMS is its peak over the square root of two: 3.01 dB less.
    assert means == pytest.approx([-9.03] * 4, abs=0.01)


def test_louder_is_darker_all_along_the_ramp() -> None:
    shades = ramp(np.linspace(0, 1, 101)[np.newaxis])[0].astype(int).sum(axis=1)
    assert (np.diff(shades) <= 0).all()


def test_a_logarithmic_axis_gives_every_octave_the_same_room() -> None:
    axis = Axis(100, 1600, [], [], log=True)
    assert [axis.part(hz) for hz in (100, 200, 400, 800, 1600)] == pytest.approx(
        [0, 0.25, 0.5, 0.75, 1]
    )


def test_key_names_count_middle_c_as_c4() -> None:
    assert [key_name(key) for key in (0, 60, 69, 73, 127)] == ["C-1", "C4", "A4", "C#5", "G9"]


def test_a_stolen_note_ends_where_its_taker_began() -> None:
    ledger = Ledger()
    old = ledger.strike(0, 1, 48, 100, 0)
    ledger.strike(0, 1, 60, 100, RATE)
    ledger.settle(old, "stolen", RATE, taken_by=2)
    first, second = bars(ledger.notes, RATE, 3 * RATE)
    assert (first.ended_s, first.let_go_s, first.detail) == (1.0, 3.0, "by C4")
    assert first.needed == 2
    assert second.ended_s == 3.0


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
    assert inks == {TERMINAL_FATES["stolen"]}


def test_without_colours_there_are_none() -> None:
    assert not any(line.spans for line in lines(scene(bar(60, 0, 5)), colour=False))


@pytest.mark.parametrize("name", ["sine", "market-organ", "tower-bell", "flat64"])
def test_every_kind_of_sound_has_a_portrait(name: str) -> None:
    picture = pixels(sound_picture.draw(shipped(), name))
    assert picture.shape == (900, 1400, 3)
    # The heads of the partials in the spectrum.
    assert len(places(picture[130:450], FATES["stolen"])) > 20
