"""`partiald sounds from`: files in, a sound file and a picture out, one line for what is unfit."""

import tomllib
from pathlib import Path

import music21
import numpy as np
import pytest
from PIL import Image

from config.library import read_sound
from daemon.__main__ import main
from daemon.offline.wav_reader import read
from tests.support.recorded import RATE, Sum, summed, write_wav
from voices.analysis.description import describe

PARTIALS = [Sum(n, -5.0 * np.log2(n), 0.1, 1.5) for n in range(1, 7)]


@pytest.fixture(autouse=True)
def _here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_a_note_becomes_a_sound_file_that_is_read_and_a_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(tmp_path / "bottle.wav", summed(261.6256, PARTIALS, 1.0))
    assert main(["sounds", "from", "bottle.wav"]) == 0
    told = capsys.readouterr().out
    assert "bottle.wav: C4 +0 cents (261.63 Hz), 6 partials" in told
    assert "dB of it" in told
    sound = read_sound(tmp_path / "bottle.toml")
    assert sound.title == "Bottle"
    assert sound.ratios == pytest.approx(list(range(1, 7)), rel=1e-4)
    with Image.open(tmp_path / "bottle.png") as picture:
        assert picture.size == (1400, 1080)
    text = (tmp_path / "bottle.toml").read_text()
    assert text.startswith("# Found in bottle.wav")
    assert all(len(line) <= 110 for line in text.splitlines())


@pytest.mark.slow
def test_nothing_is_replaced_unless_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(tmp_path / "bottle.wav", summed(261.6256, PARTIALS, 0.5))
    (tmp_path / "bottle.toml").write_text("mine")
    assert main(["sounds", "from", "bottle.wav"]) == 1
    assert "bottle.toml: exists already; --force replaces it" in capsys.readouterr().err
    assert (tmp_path / "bottle.toml").read_text() == "mine"
    assert not (tmp_path / "bottle.png").exists()
    assert main(["sounds", "from", "bottle.wav", "--force"]) == 0
    assert tomllib.loads((tmp_path / "bottle.toml").read_text())["title"] == "Bottle"


@pytest.mark.parametrize(
    ("words", "rule"),
    [
        (["nobody.wav"], "nobody.wav: no such file"),
        (["text.wav"], "text.wav: is not a WAV file"),
        (["silent.wav"], "silent.wav: is silent"),
        (["short.wav"], "short.wav: lasts 0.02 s; one note of 0.15 s or more is needed"),
        (["clipped.wav"], "clipped.wav: is clipped"),
        (["silent.wav", "--key", "300"], "--key 300: must be 0 to 127"),
        (
            ["silent.wav", "-o", "silent.txt"],
            "-o silent.txt: a sound file's name must end",
        ),
    ],
)
def test_what_is_unfit_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str], rule: str
) -> None:
    loud = summed(220.0, PARTIALS, 0.5)
    (tmp_path / "text.wav").write_text("do re mi")
    write_wav(tmp_path / "silent.wav", np.zeros(RATE))
    write_wav(tmp_path / "short.wav", loud[:900])
    write_wav(tmp_path / "clipped.wav", loud * 20)
    assert main(["sounds", "from", *words]) in (1, 2)
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"partiald: {rule}")
    assert told.err.count("\n") == 1


@pytest.mark.slow
def test_a_note_of_an_open_recording_is_found_at_its_pitch() -> None:
    """A real instrument in a real room: an A out of the recording that music21 (BSD) ships.

    Its pitch is measured independently, by autocorrelation.
    """
    path = Path(music21.__file__).parent / "audioSearch" / "test_audio.wav"
    audio, rate = read(path)
    piece = audio[round(7.25 * rate) : round(8.15 * rate), 0].astype(np.float64)
    note = describe(piece, rate)
    steady = piece[round(0.15 * rate) : round(0.65 * rate)]
    power = np.abs(np.fft.rfft(steady, 2 * len(steady))) ** 2
    alike = np.fft.irfft(power)[: len(steady)]
    lag = 60 + int(alike[60:600].argmax())
    below, at, above = alike[lag - 1 : lag + 2]
    period = lag + 0.5 * (below - above) / (below - 2 * at + above)
    assert note.key == 69
    assert abs(1200 * np.log2(note.hz * period / rate)) < 8.0
    assert note.residual_db < -8.0
    harmonics = {round(each.ratio) for each in note.partials if abs(each.ratio % 1 - 0.5) > 0.45}
    assert {1, 2, 3, 4, 5} <= harmonics
