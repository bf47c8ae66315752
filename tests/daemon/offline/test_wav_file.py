"""The WAV writer, read back with the standard library."""

import os
import resource
import struct
import wave
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.errors import RunError
from daemon.offline.wav_file import FULL_SCALE, MOST_FRAMES, WavWriter


def samples(path: Path) -> NDArray[np.int32]:
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (2, 3)
        raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, 3)
    wide = np.zeros((len(raw), 4), np.uint8)
    wide[:, 1:] = raw
    return (wide.view("<i4") >> 8).reshape(-1, 2)


def test_samples_come_back_within_half_a_step_of_24_bits(tmp_path: Path) -> None:
    audio = np.random.default_rng(1).uniform(-1, 1, (1000, 2)).astype(np.float32)
    with WavWriter(tmp_path / "a.wav", 44_100) as wav:
        wav.write(audio[:300])
        wav.write(audio[300:])
    assert np.abs(samples(tmp_path / "a.wav") - audio.astype(float) * FULL_SCALE).max() <= 0.5


def test_the_header_states_rate_and_size(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    with WavWriter(path, 48_000) as wav:
        wav.write(np.zeros((480, 2), np.float32))
    with wave.open(str(path)) as file:
        assert (file.getframerate(), file.getnframes()) == (48_000, 480)
    size = path.stat().st_size
    assert struct.unpack("<I", path.read_bytes()[4:8])[0] == size - 8


def test_over_full_scale_is_clipped_not_wrapped(tmp_path: Path) -> None:
    with WavWriter(tmp_path / "a.wav", 48_000) as wav:
        wav.write(np.array([[2.0, -2.0], [1.0, -1.0]], np.float32))
    assert samples(tmp_path / "a.wav").tolist() == [[FULL_SCALE, -FULL_SCALE]] * 2


def test_until_it_is_whole_nothing_stands_under_its_name(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    with WavWriter(path, 48_000) as wav:
        wav.write(np.zeros((480, 2), np.float32))
        assert not path.exists()
    assert path.exists()
    assert os.listdir(tmp_path) == ["a.wav"]


def test_an_interruption_leaves_nothing_and_keeps_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"old")
    with pytest.raises(KeyboardInterrupt), WavWriter(path, 48_000, force=True):
        raise KeyboardInterrupt
    assert os.listdir(tmp_path) == ["a.wav"]
    assert path.read_bytes() == b"old"


def test_a_symbolic_link_stays_one(tmp_path: Path) -> None:
    link = tmp_path / "link.wav"
    link.symlink_to(tmp_path / "real.wav")
    with WavWriter(link, 48_000):
        pass
    assert link.is_symlink()
    assert (tmp_path / "real.wav").is_file()


def test_an_existing_file_is_replaced_only_when_forced(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"old")
    with pytest.raises(RunError, match="--force"):
        WavWriter(path, 48_000)
    with WavWriter(path, 48_000, force=True):
        pass
    assert path.read_bytes()[:4] == b"RIFF"


@pytest.mark.parametrize(
    ("name", "reason"),
    [(".", "folder"), ("gone/a.wav", "no folder"), ("file/a.wav", "folder"), ("x" * 300, "long")],
)
def test_a_place_that_cannot_be_written_is_refused(tmp_path: Path, name: str, reason: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(RunError, match=reason):
        WavWriter(tmp_path / name, 48_000)
    assert os.listdir(tmp_path) == ["file"]


def test_a_device_file_is_not_replaced() -> None:
    with pytest.raises(RunError, match="not a regular file"):
        WavWriter(Path("/dev/null"), 48_000, force=True)
    assert not Path("/dev/null").is_file()


def test_a_full_disk_is_reported_and_leaves_nothing(tmp_path: Path) -> None:
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, limits[1]))  # as full as a disk can be
    try:
        with pytest.raises(RunError, match="File too large; nothing written"):
            write_silence(tmp_path / "a.wav", 100_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert os.listdir(tmp_path) == []


def test_longer_than_the_format_can_count_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="hours"):
        write_silence(tmp_path / "a.wav", 11, already=MOST_FRAMES - 10)
    assert os.listdir(tmp_path) == []


def write_silence(path: Path, frames: int, already: int = 0) -> None:
    with WavWriter(path, 48_000) as wav:
        wav.frames = already
        wav.write(np.zeros((frames, 2), np.float32))
