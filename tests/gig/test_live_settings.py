"""Saving the settings file is enough: what is held goes on, without a click, through every edit."""

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from config.settings import Settings
from tests.support import jack_client
from tests.support.daemon_process import RATE, Daemon, record, running
from tests.support.jack_server import JackServer
from tests.support.measure import cents, pitch
from tests.support.virtual_controller import NAME, VirtualController
from tests.support.waiting import wait_until

HELD, HELD_HZ = 57, 220.0
# Without cues: one is in the recording, as soon as the player has taken what was saved.
AUDIO = "[cues]\nready = false\nsettings = false\ncontroller = false\n[audio]\nblock_frames = 128\n"
SINE = '[sound]\nname = "sine"\n'
SINE_PROGRAM = Settings().sound.programs.index("sine")


@pytest.fixture
def daemon(jack_server: JackServer, tmp_path: Path) -> Iterator[Daemon]:
    with running(tmp_path, AUDIO + SINE) as made:
        yield made


def save(daemon: Daemon, text: str) -> None:
    """Save the settings, and wait until they are in force."""
    before = daemon.log.count("settings read again")
    daemon.settings.write_text(text)
    daemon.says("settings read again", before + 1)


def recorded(folder: Path, seconds: int, meanwhile: Callable[[], None]) -> NDArray[np.float64]:
    """Return what sounds while something is done; it is begun once the recording runs."""
    result: list[NDArray[np.float64]] = []
    wav = folder / "recorded.wav"
    wav.unlink(missing_ok=True)
    thread = threading.Thread(target=lambda: result.append(record(folder, seconds)))
    thread.start()
    wait_until(lambda: wav.exists() and wav.stat().st_size > 20_000, 10.0)
    meanwhile()
    thread.join()
    return result[0]


def clicks(audio: NDArray[np.float64]) -> float:
    """Return the largest sample that does not follow from the two before it, of a held sine.

    A sine obeys x[n] = 2 cos(w) x[n-1] - x[n-2]; a step or a bend of the wave does not. Relative
    to the sine's own peak.
    """
    turn = 2 * np.cos(2 * np.pi * HELD_HZ / RATE)
    return float(np.abs(audio[2:] - turn * audio[1:-1] + audio[:-2]).max() / np.abs(audio).max())


def test_a_held_note_goes_on_without_a_click_through_every_edit(
    daemon: Daemon, tmp_path: Path
) -> None:
    edits = [
        "polyphony = 3\n" + AUDIO + SINE,
        "polyphony = 200\n" + AUDIO + SINE,
        AUDIO + '[sound]\nname = "reed-organ"\n',
        AUDIO + SINE + "[tuning]\na4_hz = 415.0\ntemperament = 'young-2'\n",
        AUDIO + SINE + f'[controller]\nname = "{NAME[:5].lower()}"\n',
        AUDIO + SINE + "[vibrato]\nrate_hz = 7.0\n[[bindings]]\ncontrol = 20\ntarget = 'volume'\n",
        # The last one: of many in a row the player takes the latest.
        AUDIO + SINE + "[level]\nvolume_db = -9.0\n",
    ]

    def edit() -> None:
        for text in edits:
            save(daemon, text)

    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        controller.chord(HELD)
        daemon.sounds(1)
        steady = clicks(record(tmp_path)[RATE // 2 :])
        audio = recorded(tmp_path, 14, edit)
        assert daemon.status()["notes"]["accounts"]["sounding"] == 1
        # The level went down by 9 dB, so the recording saw the edits.
        levels = [np.abs(part).max() for part in np.array_split(audio[RATE // 4 :], 300)]
        assert min(levels) < 0.5 * max(levels)
        assert clicks(audio) < max(3 * steady, 0.01)
        assert abs(cents(pitch(audio[-RATE:], RATE, HELD_HZ, 50), HELD_HZ)) < 1.0


def test_what_is_saved_holds_for_the_next_note(daemon: Daemon, tmp_path: Path) -> None:
    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        save(daemon, "polyphony = 2\n" + AUDIO + SINE + "[tuning]\na4_hz = 415.0\n")
        assert "new: polyphony = 2, tuning.a4_hz = 415.0" in daemon.log
        daemon.retunes(controller, tmp_path, 415.0)
        controller.chord(69, 72, 76)
        wait_until(lambda: daemon.status()["notes"]["accounts"]["stolen"] == 1)


def test_an_unwanted_controller_is_closed_and_one_wanted_again_plays(daemon: Daemon) -> None:
    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        controller.chord(60)
        daemon.sounds(1)
        save(daemon, AUDIO + SINE + '[controller]\nname = "street bells"\n')
        wait_until(lambda: daemon.status()["notes"]["accounts"]["cut"] == 1)
        assert daemon.status()["controllers"] == []
        save(daemon, AUDIO + SINE)
        wait_until(lambda: len(daemon.status()["controllers"]) == 1)
        daemon.hears(controller)
        controller.chord(64)
        wait_until(lambda: daemon.status()["notes"]["accounts"]["sounding"] == 1)


def test_what_needs_the_card_reopened_says_so_and_plays_on(daemon: Daemon) -> None:
    save(daemon, AUDIO.replace("128", "256") + SINE)
    assert "new: audio.block_frames = 256; the sound card is reopened" in daemon.log
    daemon.says("sounding again after")
    wait_until(lambda: daemon.status()["block"]["frames"] == 256)


def test_another_card_named_plays_the_same_sound_at_a_safe_level_and_the_first_one_as_before(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """A JACK client that takes sound in is a card, too; its level is that of power-on.

    Source: GM2 v1.2a 3.3.4 and RP-015: a volume of v is 40 log(v/127) dB, 100 at power-on.
    """

    def opened(card: str) -> float:
        """Change over to a card; return how loud a note is there."""
        before = daemon.log.count("sounding again after")
        save(daemon, AUDIO + f'device = "{card}"\n')
        assert f'new: audio.device = "{card}"; the sound card is reopened' in daemon.log
        daemon.says("sounding again after", before + 1)
        status = daemon.status()
        assert card in status["output"]["card"]["name"]
        assert status["notes"]["accounts"]["sounding"] == 0
        return loudness()

    def loudness() -> float:
        controller.chord(HELD)
        daemon.sounds(1)
        audio = record(tmp_path)[RATE // 2 :]
        # A sine, as before.
        assert clicks(audio) < 0.01
        controller.send(0x80, HELD, 0)
        daemon.sounds(0)
        return float(np.abs(audio).max())

    other = subprocess.Popen([sys.executable, jack_client.__file__, "thru"])
    try:
        with running(tmp_path, AUDIO) as daemon, VirtualController() as controller:
            daemon.says("controller connected")
            daemon.hears(controller)
            controller.send(0xC0, SINE_PROGRAM)
            controller.send(0xB0, 7, 127)
            wait_until(lambda: daemon.struck_partials(controller, HELD) < 8, 20.0)
            loud = loudness()
            controller.chord(HELD)
            daemon.sounds(1)
            safe = opened("thru")
            assert daemon.status()["notes"]["accounts"]["cut"] == 1
            assert safe / loud == pytest.approx((100 / 127) ** 2, rel=0.01)
            assert opened("system") == pytest.approx(loud, rel=0.01)
    finally:
        other.terminate()
        other.wait(30)


def test_a_wrong_edit_changes_nothing_and_is_named_with_its_line(daemon: Daemon) -> None:
    daemon.settings.write_text("# Summer.\n" + AUDIO + "[level]\nvolume_db = 'loud'\n")
    daemon.says("settings left as they were")
    assert f"{daemon.settings}: line 9: level.volume_db = " in daemon.log
    assert daemon.status()["sound"] == "sine"


def test_a_knob_is_learned_while_it_plays(daemon: Daemon) -> None:
    with VirtualController() as controller:
        daemon.says("controller connected")
        daemon.hears(controller)
        done: list[str] = []
        thread = threading.Thread(target=lambda: done.append(daemon.ask("learn", "volume").stdout))
        thread.start()
        value = 0
        while not done:
            controller.send(0xB0, 21, value)
            value = (value + 40) % 128
            thread.join(0.1)
        assert done[0].splitlines()[1] == (
            f"Control 21 of '{NAME}' changes volume now, until partiald is stopped."
        )
        daemon.says("learned: control 21 changes volume")
        # Fully down is -40 dB, and inaudible to nobody: the note still counts as played.
        controller.chord(60)
        daemon.sounds(1)
