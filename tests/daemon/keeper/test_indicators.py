"""What a box without a screen shows: tones and a light."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from config.settings import Settings
from daemon.ipc.counters import SharedCounters, Snapshot
from daemon.ipc.message_ring import MessageRing
from daemon.ipc.messages import CUE_PATTERNS
from daemon.keeper.indicators import Cues, Indicators
from daemon.linux.led import STEP_US, State, StatusLed
from daemon.midi.lights import Lights
from daemon.player.cue_tones import cue_samples
from daemon.player.engine import FADE_IN_S, Engine
from tests.support.fakes import ScriptedInstrument

RATE, FRAMES = 48_000, 64
TICK_US = 250_000


@pytest.mark.parametrize("name", CUE_PATTERNS)
def test_a_cue_is_as_quiet_as_the_settings_say_and_begins_and_ends_softly(name: str) -> None:
    wave = cue_samples(name, RATE, -40.0)
    assert wave.dtype == np.float32
    assert 20 * np.log10(np.abs(wave).max()) == pytest.approx(-40.0, abs=0.1)
    assert np.abs(np.diff(wave)).max() < 0.01 * 2 * np.pi * 800 / RATE  # no click: a sine's slope
    assert wave[0] == 0.0
    assert len(wave) / RATE == pytest.approx(sum(s for _, s in CUE_PATTERNS[name]), abs=0.001)
    assert len(wave) / RATE < 1.5
    # Each of its tones is heard: none is shorter than both of its edges.
    assert all(seconds > 0.04 for _, seconds in CUE_PATTERNS[name])


def playing(rise: bool = False) -> Engine:
    return Engine(
        Settings(),
        ring=MessageRing(memoryview(bytearray(MessageRing.SIZE))),
        counters=SharedCounters(memoryview(bytearray(SharedCounters.SIZE))),
        sample_rate=RATE,
        block_frames=FRAMES,
        instrument=ScriptedInstrument(0.5 if rise else 0.0),
        fade_in=rise,
    )


def sounded(player: Engine, blocks: int) -> np.ndarray:
    out = np.zeros((blocks, FRAMES, 2), np.float32)
    for number, block in enumerate(out):
        player.render_block(block, number * 1_000_000 * FRAMES // RATE)
    return out.reshape(-1, 2)


def test_the_player_adds_a_cue_once_on_both_sides() -> None:
    player, wave = playing(), cue_samples("found", RATE, -30.0)
    player.play_cue(wave)
    heard = sounded(player, 400)
    assert np.array_equal(heard[: len(wave), 0], wave)
    assert np.array_equal(heard[:, 0], heard[:, 1])
    assert not heard[len(wave) :].any()


def test_the_first_half_second_of_a_card_grows_out_of_silence() -> None:
    heard = np.abs(sounded(playing(rise=True), round(FADE_IN_S * RATE / FRAMES) + 10)[:, 0])
    assert heard[0] == 0.0
    assert np.all(np.diff(heard) >= -1e-6)
    assert heard[round(RATE * FADE_IN_S / 2)] == pytest.approx(0.25, rel=0.05)
    assert heard[-1] == np.float32(0.5)


class Street:
    """Signs, and what they played."""

    def __init__(self, **cues: object) -> None:
        self.played: list[str] = []
        self.indicators = Indicators(
            lambda name, level_db: self.played.append(name),
            StatusLed(Path("/nowhere")),
            Lights(lambda controller, message: None, lambda: ({}, ())),
        )
        self.indicators.use(Settings.model_validate({"cues": cues}))
        self.now_us = 0

    def run(
        self, seconds: float, card: bool = True, sounding: int = 0, controllers: int = 1
    ) -> None:
        until = self.now_us + seconds * 1e6
        while self.now_us < until:
            self.now_us += TICK_US
            running = Snapshot(sounding=sounding)
            self.indicators.tick(card, running, range(controllers), False, self.now_us)

    def cue(self, name: str) -> None:
        self.indicators.cue(name, self.now_us)


def test_ready_is_when_card_and_controller_are_there() -> None:
    street = Street()
    street.run(3, card=False)
    street.run(3, controllers=0)
    assert street.played == []
    street.cue("found")
    street.run(3)
    assert street.played == ["ready"]
    street.run(3, card=False)
    street.run(3)
    assert street.played == ["ready", "ready"]


def test_no_cue_sounds_over_music_nor_long_after_its_time() -> None:
    street = Street()
    street.run(3)
    street.cue("found")
    street.run(10, sounding=2)
    assert street.played == ["ready"]
    street.run(2)
    assert street.played == ["ready", "found"]
    street.cue("lost")
    street.run(40, sounding=1)
    street.run(5)
    assert street.played == ["ready", "found"]


def test_each_cue_can_be_left_out() -> None:
    street = Street(ready=False, controller=False, settings=False, board=False)
    street.run(3)
    for name in ("found", "lost", "refused", "unwell"):
        street.cue(name)
    street.run(10)
    assert street.played == []


def test_cues_that_wait_come_one_after_the_other() -> None:
    street = Street()
    for name in ("refused", "unwell", "lost"):
        street.cue(name)
    street.run(1)
    assert len(street.played) == 1
    street.run(9)
    assert street.played == ["refused", "unwell", "lost", "ready"]


def test_a_quieter_instrument_has_quieter_cues_and_a_louder_one_has_not() -> None:
    levels: list[float] = []
    cues = Cues(lambda name, level_db: levels.append(level_db))
    for volume_db in (-20.0, 6.0):
        cues.volume_db = volume_db
        cues.ask("found", len(levels) * 10_000_000)
        for step in range(8):
            cues.tick(True, len(levels) * 10_000_000 + step * TICK_US)
    assert levels == [-60.0, -40.0]


def led(root: Path, name: str) -> Path:
    folder = root / name
    folder.mkdir(parents=True)
    (folder / "brightness").write_text("0\n")
    (folder / "max_brightness").write_text("255\n")
    (folder / "trigger").write_text("none rc-feedback [mmc0] timer\n")
    return folder


def test_the_usual_light_is_taken_shows_the_state_and_is_given_back(tmp_path: Path) -> None:
    led(tmp_path, "input3::capslock")
    board = led(tmp_path, "ACT")
    status_led = StatusLed(tmp_path)
    status_led.use("")
    assert (board / "trigger").read_text() == "none"
    seen = {}
    states: tuple[State, ...] = ("playing", "no controller", "no card")
    for state in states:
        shown = []
        for step in range(16):
            status_led.show(state, step * STEP_US)
            shown.append((board / "brightness").read_text().strip())
        seen[state] = [
            shown.count("255"),
            sum(a != b for a, b in pairwise(shown)),
        ]
    # Steady; one flash in two seconds; two.
    assert seen == {"playing": [16, 0], "no controller": [2, 3], "no card": [4, 7]}
    status_led.release()
    assert (board / "trigger").read_text() == "mmc0"


def test_a_named_light_is_taken_and_none_leaves_all_alone(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    usual, own = led(tmp_path, "ACT"), led(tmp_path, "green:bell")
    status_led = StatusLed(tmp_path)
    status_led.use("none")
    status_led.show("playing", 0)
    assert "[mmc0]" in (usual / "trigger").read_text()
    status_led.use("BELL")
    status_led.show("playing", 0)
    assert (own / "brightness").read_text() == "255"
    status_led.use("horn")
    assert caplog.messages == ["no LED has 'horn' in its name; no light shows the state"]
    assert (own / "trigger").read_text() == "mmc0"
