"""Bad input: one clear line each, the right exit code, and nothing half-written left behind."""

import os
import signal
import subprocess
from pathlib import Path

import mido
import pytest

from tests.support.command import command, environment, partiald
from tests.support.waiting import wait_until


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with a good song, and everything that is none."""
    made = mido.MidiFile()
    made.add_track().extend(
        [
            mido.Message("note_on", note=60, velocity=100),
            mido.Message("note_off", note=60, time=480),
        ]
    )
    made.save(tmp_path / "good.mid")
    good = (tmp_path / "good.mid").read_bytes()
    (tmp_path / "cut.mid").write_bytes(good[:-6])
    (tmp_path / "stub.mid").write_bytes(good[:9])
    (tmp_path / "empty.mid").touch()
    (tmp_path / "picture.mid").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    (tmp_path / "folder.mid").mkdir()
    (tmp_path / "there.wav").write_bytes(b"mine")
    (tmp_path / "folder.wav").mkdir()
    return tmp_path


def refuse(folder: Path, code: int, words: list[str], told: str) -> None:
    """Run and check code, line and that the folder is as it was."""
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    done = partiald(*words, cwd=folder)
    assert (done.returncode, done.stdout) == (code, "")
    assert done.stderr.startswith("partiald: ")
    assert told in done.stderr
    assert done.stderr.count("\n") == 1, done.stderr
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


@pytest.mark.parametrize(
    ("song", "told"),
    [
        ("missing.mid", "missing.mid: no such file"),
        ("picture.mid", "picture.mid: is not a Standard MIDI File"),
        ("cut.mid", "cut.mid: truncated"),
        ("stub.mid", "stub.mid: truncated"),
        ("empty.mid", "empty.mid: is empty"),
        ("folder.mid", "folder.mid: is a folder"),
        ("/dev/null", "/dev/null: is not a regular file"),
        ("good.mid/song.mid", "good.mid/song.mid: "),
        ("x" * 300, "File name too long"),
    ],
)
def test_a_song_that_cannot_be_played(folder: Path, song: str, told: str) -> None:
    refuse(folder, 1, ["render", song, "-o", "out.wav"], told)


@pytest.mark.parametrize(
    ("output", "told"),
    [
        ("there.wav", "there.wav: exists already; --force replaces it"),
        ("folder.wav", "folder.wav: is a folder"),
        ("gone/out.wav", "no folder 'gone'"),
        ("good.mid/out.wav", "good.mid/out.wav: "),
        ("/proc/out.wav", "/proc/out.wav: "),
        ("/dev/null", "/dev/null: is not a regular file"),
    ],
)
def test_an_output_that_cannot_be_written(folder: Path, output: str, told: str) -> None:
    refuse(folder, 1, ["render", "good.mid", "-o", output], told)


@pytest.mark.parametrize(
    "words",
    [
        ["render", "good.mid"],
        ["render", "good.mid", "-o", "out.wav", "more"],
        ["sing"],
        ["render", "good.mid", "-o", "out.wav", "--sound", "kazoo"],
        ["sounds", "show", "kazoo"],
        ["sounds", "draw", "kazoo"],
    ],
)
def test_wrong_usage(folder: Path, words: list[str]) -> None:
    refuse(folder, 2, words, "kazoo" if "kazoo" in words else "--help' shows how")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("polyphony = 0", "polyphony = 0"),
        ("polyphony = 'many'", "polyphony"),
        ("polyphony = true", "polyphony"),
        ("polyphony = 8.0", "polyphony"),
        ("polyphony = nan", "polyphony"),
        ("polyfony = 8", "did you mean 'polyphony'"),
        ("[audio]\nblock_frames = 100", "audio.block_frames = 100"),
        ("[audio]\nsample_rate = 8000", "sample_rate"),
        ("[level]\nvolume_db = 100.0", "level.volume_db = 100"),
        ("[level]\nvolume_db = inf", "level.volume_db"),
        ("[controller]\nchannels = [0]", "controller.channels"),
        ("[controller]\nchannels = 1", "controller.channels"),
        ("[tuning]\ntemperament = 'lukewarm'", "tuning.temperament"),
        ("[[bindings]]\ntarget = 'tilt'", "control"),
        ("[[bindings]]\ncontrol = 7\ntarget = 'partial'", "partial"),
        ("audio = 3", "audio"),
        ("[sound]\nname = 'kazoo'", "kazoo"),
        ("[sound]\nname = ''", "sound.name"),
        ("polyphony = ", "mine.toml"),
        ("polyphony = \u201c8\u201d", "mine.toml"),
        ("polyphony = 8\npolyphony = 9", "mine.toml"),
    ],
)
def test_wrong_settings(folder: Path, text: str, told: str) -> None:
    (folder / "mine.toml").write_text(text, "utf-8")
    words = ["--settings", "mine.toml", "render", "good.mid", "-o", "out.wav"]
    refuse(folder, 78, words, told)


def test_settings_that_are_no_text(folder: Path) -> None:
    (folder / "mine.toml").write_bytes(b"\xff\xfe\x00polyphony")
    words = ["--settings", "mine.toml", "render", "good.mid", "-o", "out.wav"]
    refuse(folder, 78, words, "mine.toml")


@pytest.mark.parametrize("path", ["missing.toml", "folder.mid"])
def test_settings_that_are_not_there(folder: Path, path: str) -> None:
    refuse(folder, 78, ["--settings", path, "render", "good.mid", "-o", "out.wav"], path)


def test_several_faults_are_reported_at_once_a_line_each(folder: Path) -> None:
    (folder / "mine.toml").write_text("polyphony = 0\nloud = 1\n[level]\nceiling_db = 3.0\n")
    done = partiald("--settings", "mine.toml", "rehearse", cwd=folder)
    assert done.returncode == 78
    lines = done.stderr.splitlines()
    assert len(lines) == 3
    assert all(line.startswith("partiald: mine.toml: ") for line in lines)
    assert not (folder / "rehearsal").exists()


@pytest.mark.parametrize(
    ("into", "told"),
    [
        ("good.mid", "good.mid: "),
        ("good.mid/deeper", "good.mid/deeper: "),
        ("gone/deeper", "gone/deeper: "),
        ("/proc/rehearsal", "/proc/rehearsal: "),
    ],
)
def test_a_folder_the_rehearsal_cannot_write_into(folder: Path, into: str, told: str) -> None:
    refuse(folder, 1, ["rehearse", "--into", into], told)


def test_a_picture_is_not_drawn_over_another(folder: Path) -> None:
    refuse(folder, 1, ["sounds", "draw", "sine", "-o", "there.wav"], "--force replaces it")


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_rendering_that_is_stopped_leaves_nothing(folder: Path, how: signal.Signals) -> None:
    long = mido.MidiFile()
    long.add_track().extend(
        [
            mido.Message("note_on", note=60, velocity=100),
            mido.Message("note_off", note=60, time=480 * 2 * 3600),
        ]
    )
    long.save(folder / "hour.mid")
    before = sorted(os.listdir(folder))
    process = subprocess.Popen(
        command("render", "hour.mid", "-o", "out.wav"),
        cwd=folder,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    wait_until(lambda: len(os.listdir(folder)) > len(before), timeout_s=20.0)
    process.send_signal(how)
    out, err = process.communicate(timeout=20)
    assert (process.returncode, out) == (1, "")
    assert err == "partiald: stopped by hand before it was done\n"
    assert sorted(os.listdir(folder)) == before
