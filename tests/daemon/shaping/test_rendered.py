"""Where nothing plays, a struck key writes a note of the sound as it is."""

import wave
from pathlib import Path

import numpy as np
import pytest

from config.library import shipped
from config.settings import Settings
from daemon.errors import RunError
from daemon.shaping.page import Page
from daemon.shaping.rendered import Rendered
from tests.support.measure import db, partial_level

HZ = 261.6256


def alone(folder: Path) -> Rendered:
    chosen = {"sound": {"name": "flat64", "programs": []}, "room": {"level_db": -80.0}}
    return Rendered(Settings.model_validate(chosen), shipped(), folder)


def second_db(path: Path) -> float:
    """Return the level of the second partial beside the first."""
    with wave.open(str(path)) as file:
        width, rate = file.getsampwidth(), file.getframerate()
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8)
    wide = np.pad(raw.reshape(-1, 2, width)[:, 0], ((0, 0), (4 - width, 0)))
    audio = np.ascontiguousarray(wide).view("<i4")[:, 0] / 2.0**31
    first, second = (partial_level(audio[rate // 2 : rate], rate, n * HZ) for n in (1, 2))
    return db(second / first)


def test_a_struck_key_writes_a_note_of_the_sound_as_it_is_shaped(tmp_path: Path) -> None:
    rendered = alone(tmp_path)
    page = Page("flat64", shipped()["flat64"], rendered, -80.0)
    path = tmp_path / "flat64-shaped.wav"
    assert rendered.strike() == f"a note of it: {path}"
    assert second_db(path) == pytest.approx(0.0, abs=0.1)
    page.at = 1
    page.put(-20.0)
    rendered.strike()
    assert second_db(path) == pytest.approx(-20.0, abs=0.1)


def test_a_recording_of_somebody_elses_is_not_replaced(tmp_path: Path) -> None:
    (tmp_path / "flat64-shaped.wav").write_bytes(b"mine")
    with pytest.raises(RunError, match="exists already; move it away"):
        alone(tmp_path).strike()
    assert (tmp_path / "flat64-shaped.wav").read_bytes() == b"mine"
