"""``partiald render``: onsets on their frames, tails to their end, the same file every time."""

import wave
from pathlib import Path

import mido
import numpy as np
import pytest

from config.settings import Settings
from daemon.offline.midi_file import Song
from tests.support.command import partiald
from tests.support.recorded import rendered

RATE = 48_000
SINE = Settings.model_validate({"sound": {"name": "sine"}})


def song(*events: tuple[float, str], length_s: float) -> Song:
    return Song([(time_s, bytes.fromhex(words)) for time_s, words in events], length_s, 1, [])


def write_song(path: Path, *messages: mido.Message, ticks: int = 480) -> Path:
    made = mido.MidiFile(ticks_per_beat=ticks)
    made.add_track().extend(messages)
    made.save(path)
    return path


def tune(path: Path) -> Path:
    return write_song(
        path,
        mido.Message("program_change", program=1),
        mido.Message("note_on", note=60, velocity=100),
        mido.Message("note_on", note=64, velocity=90, time=120),
        mido.Message("note_off", note=60, time=240),
        mido.Message("note_off", note=64, time=240),
    )


@pytest.mark.parametrize("frame", [0, 1, 1023, 1024, 30_000])
@pytest.mark.parametrize("block_frames", [64, 1024])
def test_an_onset_lies_on_its_frame(frame: int, block_frames: int) -> None:
    played = song((frame / RATE, "90 45 7F"), (frame / RATE + 0.2, "80 45 00"), length_s=1.0)
    audio, _ = rendered(played, SINE, block_frames=block_frames)
    first = int(np.flatnonzero(np.abs(audio[:, 0]) > 0)[0])
    # The first frames of an attack from silence are too small to be a number.
    assert frame <= first <= frame + 4


@pytest.mark.parametrize("frames", [1, 63, 1024, 4_801])
def test_a_song_that_begins_later_is_the_same_song_to_the_frame(frames: int) -> None:
    """One frame would be a step of a twelfth of a turn: it would show at -6 dB."""
    heard = []
    for later in (0, frames):
        at, end = (4_800 + later) / RATE, (14_400 + later) / RATE
        played = song((at, "90 6C 7F"), (end, "80 6C 00"), length_s=1.0)
        audio, _ = rendered(played, SINE)
        heard.append(audio[later : later + 24_000, 0].astype(float))
    assert np.abs(heard[0] - heard[1]).max() < 1e-5 * np.abs(heard[0]).max()


def test_the_tail_is_rendered_to_its_end_and_no_further() -> None:
    played = song((0.0, "90 45 7F"), (0.5, "80 45 00"), length_s=0.5)
    audio, rendering = rendered(played, SINE)
    assert rendering.instrument.sounding == 0 or np.abs(audio[-1024:]).max() < 10 ** (-90 / 20)
    # The release of `sine` is at most 100 ms to 60 dB, so 150 ms to 90 dB, and a block or two.
    assert 0.5 * RATE < len(audio) <= (0.5 + 0.16) * RATE + 2 * 1024


def test_what_the_song_forgets_to_end_is_released_at_its_end() -> None:
    played = song((0.0, "B0 40 7F"), (0.0, "90 45 7F"), (0.1, "95 40 7F"), length_s=0.5)
    _, rendering = rendered(played, SINE)
    assert rendering.left_held == 2
    assert rendering.instrument.ledger.accounts()["released"] == 2


def test_silence_lasts_as_long_as_the_song_says() -> None:
    audio, rendering = rendered(song(length_s=1.0), SINE)
    assert (rendering.peak, np.abs(audio).max()) == (0.0, 0.0)
    assert RATE <= len(audio) <= RATE + 1024


@pytest.mark.gig
def test_the_same_song_gives_the_same_file(tmp_path: Path) -> None:
    tune(tmp_path / "tune.mid")
    for name in ("a.wav", "b.wav"):
        assert partiald("render", "tune.mid", "-o", name, cwd=tmp_path).returncode == 0
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


@pytest.mark.gig
def test_the_summary_says_what_was_made_of_the_song(tmp_path: Path) -> None:
    tune(tmp_path / "tune.mid")
    done = partiald("render", "tune.mid", "-o", "tune.wav", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert all(len(line) <= 79 for line in done.stdout.splitlines())
    with wave.open(str(tmp_path / "tune.wav")) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (2, 3, RATE)
        seconds = file.getnframes() / RATE
    assert f"tune.wav: {seconds:.1f} s, 48,000 Hz, 24 bit, stereo, peak -" in done.stdout
    assert "times faster than it plays" in done.stdout
    assert "2  released" in done.stdout
    assert "2  note-ons received, every one accounted for" in done.stdout
    assert "\x1b" not in done.stdout


@pytest.mark.gig
def test_repairs_are_reported(tmp_path: Path) -> None:
    path = tune(tmp_path / "tune.mid")
    path.write_bytes(path.read_bytes()[:-4] + b"junk of another program")
    content = bytearray(path.read_bytes())
    content[11] = 3
    path.write_bytes(content[:-23] + b"\x00\xff\x2f\x00")
    done = partiald("render", "tune.mid", "-o", "tune.wav", cwd=tmp_path)
    assert done.returncode == 0
    assert "repaired: the header says 3 tracks, the file has 1" in done.stdout


@pytest.mark.gig
def test_a_named_sound_plays_the_whole_song(tmp_path: Path) -> None:
    tune(tmp_path / "tune.mid")  # its program change asks for the second sound
    for name, words in {
        "flute.wav": ("--sound", "stopped-flute"),
        "bell.wav": ("--sound", "tower-bell"),
        "asked.wav": (),
        "second.wav": ("--sound", Settings().sound.programs[1]),
    }.items():
        assert partiald("render", "tune.mid", "-o", name, *words, cwd=tmp_path).returncode == 0
    made = {path.stem: path.read_bytes() for path in tmp_path.glob("*.wav")}
    assert made["flute"] != made["bell"]
    assert made["asked"] == made["second"]


@pytest.mark.gig
def test_a_settings_file_rules_the_rendering(tmp_path: Path) -> None:
    tune(tmp_path / "tune.mid")
    (tmp_path / "mine.toml").write_text("polyphony = 1\n[audio]\nsample_rate = 44100\n")
    done = partiald("--settings", "mine.toml", "render", "tune.mid", "-o", "tune.wav", cwd=tmp_path)
    assert done.returncode == 0
    assert "44,100 Hz" in done.stdout
    assert "stolen by E4; polyphony = 2 would have kept it" in done.stdout


@pytest.mark.gig
def test_force_replaces_a_file(tmp_path: Path) -> None:
    tune(tmp_path / "tune.mid")
    (tmp_path / "tune.wav").write_bytes(b"old")
    done = partiald("render", "tune.mid", "-o", "tune.wav", "--force", cwd=tmp_path)
    assert done.returncode == 0
    assert (tmp_path / "tune.wav").read_bytes()[:4] == b"RIFF"
