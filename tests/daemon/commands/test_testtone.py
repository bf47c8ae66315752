import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from daemon.commands.testtone import DURATION_S, LEVEL_DBFS, PITCH_HZ, Tone, why_closed
from daemon.soundcard.card import Card
from tests.support.jack_server import JackServer
from tests.support.waiting import next_line, wait_until

RATE, BLOCK = 48_000, 512
COMMAND = [sys.executable, "-m", "daemon", "testtone"]


def played(tone: Tone, seconds: float) -> NDArray[np.float32]:
    blocks = []
    for _ in range(int(seconds * RATE / BLOCK)):
        out = np.full((BLOCK, 2), np.nan, np.float32)
        tone.render_block(out, 0)
        blocks.append(out)
    return np.concatenate(blocks)


def peak_dbfs(sound: NDArray[np.float32]) -> float:
    return float(20 * np.log10(np.abs(sound).max() + 1e-12))


def test_the_tone_starts_inaudible_grows_slowly_and_stops_automatically() -> None:
    tone = Tone(RATE, BLOCK)
    sound = played(tone, DURATION_S + 0.5)
    assert peak_dbfs(sound[: RATE // 2]) < -70
    assert peak_dbfs(sound) == pytest.approx(LEVEL_DBFS, abs=0.01)
    # Never faster than 2 dB in 0.1 s on the way up.
    loudness = [peak_dbfs(sound[at : at + 4800]) for at in range(0, 5 * RATE, 4800)]
    assert max(np.diff(loudness)) < 2.0
    assert not sound[int(DURATION_S * RATE) :].any()
    assert tone.over


def test_the_tone_has_its_pitch_and_no_click() -> None:
    sound = played(Tone(RATE, BLOCK), DURATION_S + 0.5)[:, 0].astype(np.float64)
    second = sound[int(4.2 * RATE) : int(5.2 * RATE)]
    spectrum = np.abs(np.fft.rfft(second))
    assert spectrum.argmax() == PITCH_HZ
    # A sine's steps are at most 2π·f/rate of its peak.
    assert np.abs(np.diff(sound)).max() < 2 * np.pi * PITCH_HZ / RATE * 10 ** (-30 / 20) * 1.01


def test_a_stopped_tone_fades_out_in_a_twentieth_of_a_second() -> None:
    tone = Tone(RATE, BLOCK)
    played(tone, 4.5)
    tone.stop()
    rest = played(tone, 0.5)
    assert peak_dbfs(rest[:480]) > LEVEL_DBFS - 2
    assert not rest[int(0.06 * RATE) :].any()
    assert tone.over


@pytest.mark.gig
def test_without_a_card_it_says_so_in_one_line_and_fails() -> None:
    environment = os.environ | {
        "JACK_DEFAULT_SERVER": "partiald-nobody",
        "JACK_NO_START_SERVER": "1",
    }
    done = subprocess.run(COMMAND, capture_output=True, text=True, timeout=30, env=environment)
    assert done.returncode == 1
    assert done.stderr == "partiald: no sound card and no sound server\n"
    assert done.stdout.startswith("Mind your ears")


@pytest.mark.gig
def test_a_card_that_is_not_there_is_named_beside_those_that_are(jack_server: JackServer) -> None:
    done = subprocess.run(
        [*COMMAND, "--device", "street organ"], capture_output=True, text=True, timeout=30
    )
    assert done.returncode == 1
    expected = "partiald: no sound card matches 'street organ'; present: 'system'\n"
    assert done.stderr == expected


@pytest.mark.parametrize(
    ("holder", "error", "expected"),
    [
        (
            *("partiald (process 429)", ""),
            "'Stall Card': held by partiald (process 429), end that first: "
            "sudo systemctl stop partiald",
        ),
        (
            *("another (process 7)", "Device unavailable"),
            "'Stall Card' can't be opened: Device unavailable; held by another (process 7), "
            "end that first",
        ),
        ("", "Device unavailable", "'Stall Card' can't be opened: Device unavailable"),
    ],
)
def test_a_card_that_is_held_is_named_with_what_releases_it(
    holder: str, error: str, expected: str
) -> None:
    closed = f"held by {holder}" if holder else "it does not open"
    card = Card("Stall Card", "usb", 48_000, 2, 3, holder=holder, closed=closed)
    assert why_closed(card, error) == expected


@pytest.mark.gig
def test_it_announces_each_step_and_ends_with_zero_when_interrupted(
    jack_server: JackServer, tmp_path: Path
) -> None:
    log = tmp_path / "out"
    with log.open("wb") as out:
        process = subprocess.Popen(COMMAND, stdout=out, stderr=subprocess.STDOUT)
        try:
            wait_until(lambda: "growing" in log.read_text(), 20.0)
            process.send_signal(signal.SIGINT)
            assert process.wait(5.0) == 0
        finally:
            process.kill()
            process.wait()
    lines = log.read_text().splitlines()
    assert lines[0].startswith("Mind your ears")
    assert lines[2].startswith("card: 'system', sound server, 48,000 Hz")
    assert [line.split()[2] for line in lines[3:5]] == ["inaudible:", "growing"]
    assert lines[-1].startswith("stopped after 1.")
    assert len(lines) == 6


@pytest.mark.gig
def test_a_sound_server_that_dies_under_it_ends_it_with_one_line(jack_server: JackServer) -> None:
    process = subprocess.Popen(COMMAND, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        while "inaudible" not in next_line(process):
            pass
        jack_server.kill()
        _, faults = process.communicate(timeout=10)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 1
    assert faults == "partiald: 'system' went away; plug it in and try again\n"
