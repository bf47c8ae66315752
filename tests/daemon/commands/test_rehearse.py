"""``partiald rehearse``: the whole path without hardware, and an honest report of it."""

import re
import time
import wave
from functools import partial
from pathlib import Path

import mido
import numpy as np
import pytest

from config.library import shipped
from config.settings import Settings
from daemon.midi.simulated import THROUGH, SimulatedPorts
from daemon.offline.demo_tune import steps
from daemon.offline.midi_file import read
from daemon.offline.performance import POLL_US, Performance, perform, rehearsal_settings
from daemon.soundcard.playback import LEAD_S, Recording
from tests.support.command import partiald

BLOCKED = """\
import sys

class Missing:
    def find_spec(self, name, path=None, target=None):
        if name in ("sounddevice", "_sounddevice"):
            raise OSError("PortAudio library not found")
        if name == "rtmidi":
            raise ImportError("No module named 'rtmidi'")
        return None

sys.meta_path.insert(0, Missing())
"""


@pytest.fixture(scope="module")
def performance() -> Performance:
    return perform(rehearsal_settings(Settings()), shipped())


@pytest.fixture
def without_libraries(tmp_path: Path) -> Path:
    """Return a folder that hides the sound and MIDI libraries from a process."""
    folder = tmp_path / "blocked"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(BLOCKED)
    return folder


def test_every_note_struck_is_accounted_for(performance: Performance) -> None:
    struck = sum(step.message[:1] == b"\x90" for step in steps())
    assert performance.received == struck == sum(performance.accounts.values())
    assert performance.accounts["sounding"] == 0


@pytest.mark.slow
def test_the_tune_goes_beyond_the_polyphony_and_says_what_would_have_helped(
    performance: Performance,
) -> None:
    stolen = [bar for bar in performance.scene(-1.0).bars if bar.account == "stolen"]
    assert len(stolen) == performance.accounts["stolen"] > 0
    assert all(8 < bar.needed <= 16 for bar in stolen)
    more = perform(
        rehearsal_settings(Settings()).model_copy(
            update={"polyphony": max(bar.needed for bar in stolen)}
        ),
        shipped(),
    )
    assert more.accounts["stolen"] == 0


def test_a_pulled_cable_releases_its_chord_and_a_replug_plays_on(performance: Performance) -> None:
    pulled, back = (mark.at_s for mark in performance.marks[1:])
    cut = [bar for bar in performance.scene(-1.0).bars if bar.account == "cut"]
    assert len(cut) > 2
    assert all(bar.start_s < pulled < bar.end_s < pulled + 2 * POLL_US / 1e6 for bar in cut)
    rate = performance.sample_rate
    away = np.abs(performance.audio[round((pulled + 0.8) * rate) : round(back * rate)])
    # Its room rings on, 50 dB below full scale and falling.
    assert away[-rate // 10 :].max() < away[: rate // 10].max() < 3e-3
    assert np.abs(performance.audio[round(back * rate) :]).max() > 0.01
    assert [words.split(":")[0] for _, words in performance.noticed] == [
        "controller found",
        "controller lost",
        "controller found",
    ]


@pytest.mark.slow
def test_a_rehearsal_sounds_the_same_every_time(performance: Performance) -> None:
    again = perform(rehearsal_settings(Settings()), shipped())
    assert np.array_equal(again.audio, performance.audio)


def test_the_tune_lies_on_twenty_five_keys() -> None:
    keys = [step.message[1] for step in steps() if step.message[:1] == b"\x90"]
    assert (min(keys), max(keys)) == (48, 72)


def test_the_midi_file_holds_what_was_played_and_ends_every_note(
    performance: Performance, tmp_path: Path
) -> None:
    performance.midi().save(tmp_path / "a.mid")
    song = read(tmp_path / "a.mid")
    assert song.repairs == []
    assert song.notes == performance.received
    held: set[int] = set()
    for _, message in song.events:
        if message[0] == 0x90:
            held.add(message[1])
        elif message[0] == 0x80:
            held.discard(message[1])
    assert held == set()
    # A tick is 5/6 ms.
    struck = [time_s for time_s, message in song.events if message[0] == 0x90]
    played = [bar.start_s for bar in performance.scene(-1.0).bars]
    assert np.abs(np.array(struck) - played).max() < 0.005


def test_the_owners_controller_name_does_not_shut_the_simulated_one_out() -> None:
    mine = Settings.model_validate(
        {"controller": {"name": "Barn", "channels": [3]}, "polyphony": 4}
    )
    adapted = rehearsal_settings(mine)
    assert (adapted.controller.name, adapted.controller.channels) == ("", [])
    assert adapted.polyphony == 4


@pytest.mark.gig
def test_a_newcomer_gets_report_picture_and_files_soon(
    tmp_path: Path, without_libraries: Path
) -> None:
    started = time.monotonic()
    done = partiald("rehearse", cwd=tmp_path, front=without_libraries)
    assert time.monotonic() - started < 30
    assert (done.returncode, done.stderr) == (0, "")
    assert all(len(line) <= 79 for line in done.stdout.splitlines())
    assert "\x1b" not in done.stdout
    assert re.search(r"stolen by \w+; polyphony = \d+ would have kept it", done.stdout)
    assert "every one accounted for" in done.stdout
    for name in ("rehearsal.wav", "rehearsal.png", "rehearsal.mid"):
        assert f"rehearsal/{name}" in done.stdout
    assert sorted(path.name for path in (tmp_path / "rehearsal").iterdir()) == [
        "rehearsal.mid",
        "rehearsal.png",
        "rehearsal.wav",
    ]
    with wave.open(str(tmp_path / "rehearsal/rehearsal.wav")) as file:
        assert 20 < file.getnframes() / file.getframerate() < 40
    assert mido.MidiFile(tmp_path / "rehearsal/rehearsal.mid").length > 20


@pytest.mark.gig
def test_what_it_played_can_be_rendered_without_sound_and_midi_libraries(
    tmp_path: Path, without_libraries: Path
) -> None:
    first = partiald("rehearse", "--into", "here", cwd=tmp_path, front=without_libraries)
    assert first.returncode == 0
    second = partiald(
        "render", "here/rehearsal.mid", "-o", "a.wav", cwd=tmp_path, front=without_libraries
    )
    assert (second.returncode, second.stderr) == (0, "")


@pytest.mark.gig
def test_aloud_without_a_card_is_one_line_and_no_failure(
    tmp_path: Path, without_libraries: Path
) -> None:
    done = partiald("rehearse", "--aloud", cwd=tmp_path, front=without_libraries)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1].startswith("Not played aloud: ")


@pytest.mark.gig
def test_a_second_rehearsal_replaces_the_first(tmp_path: Path) -> None:
    made = [partiald("rehearse", cwd=tmp_path).returncode for _ in range(2)]
    assert made == [0, 0]


@pytest.mark.gig
def test_colours_and_the_spectrum_are_shown_where_they_can_be(tmp_path: Path) -> None:
    rehearse = partial(
        partiald, "rehearse", cwd=tmp_path, FORCE_COLOR="1", COLORTERM="truecolor", TERM="xterm"
    )
    assert "\x1b[38;2;" in rehearse().stdout
    assert "38;2;" not in rehearse(NO_COLOR="1").stdout


def test_aloud_begins_with_silence_and_grows_evenly() -> None:
    rate = 8000
    recording = Recording(np.ones((10 * rate, 2), np.float32), rate)
    out = np.empty((rate // 2, 2), np.float32)
    peaks = []
    while not recording.ended:
        recording.render_block(out, 0)
        peaks.append(float(out.max()))
    assert peaks[: int(2 * LEAD_S)] == [0.0] * int(2 * LEAD_S)
    assert peaks == sorted(peaks)
    # From 60 dB down to full in three seconds: 10 dB every half second.
    assert 20 * np.log10(peaks[7] / peaks[6]) == pytest.approx(10.0, abs=0.1)
    assert peaks[-1] == 1.0


def test_stopped_by_hand_it_fades_out_without_a_jump() -> None:
    rate = 8000
    recording = Recording(np.ones((10 * rate, 2), np.float32), rate)
    out = np.empty((8 * rate, 2), np.float32)
    recording.render_block(out, 0)
    recording.stop()
    recording.render_block(out, 0)
    assert recording.ended
    assert np.abs(np.diff(out[:, 0], prepend=1.0)).max() < 0.01
    assert np.count_nonzero(out[:, 0]) < 0.051 * rate


def test_a_simulated_port_is_silent_once_its_cable_is_out() -> None:
    ports = SimulatedPorts()
    heard: list[tuple[bytes, int]] = []
    ports.plug("Keys")
    assert ports.names() == [THROUGH, "Keys"]
    opened = ports.open("Keys", lambda message, at: heard.append((bytes(message), at)))
    assert ports.send("Keys", b"\x90\x40\x40", 7)
    ports.unplug("Keys")
    assert ports.names() == [THROUGH]
    assert not ports.send("Keys", b"\x90\x41\x40", 8)
    opened.close()
    assert heard == [(b"\x90\x40\x40", 7)]
