"""The keeper in virtual time, with players and controllers that do as they are told."""

import logging
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from config.settings import Settings
from daemon.commands.why import readable
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.keeper.keeper import TICK_S, Keeper
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.linux.board_health import LOOK_US, Health
from daemon.linux.led import StatusLed
from daemon.midi.channel_state import ChannelState
from daemon.midi.controllers import Controllers
from daemon.midi.simulated import SimulatedPorts
from daemon.player.cue_tones import samples
from daemon.player.engine import Engine
from daemon.player.fork_server import PlayerEvent, PlayerJob
from daemon.soundcard.card import Card
from daemon.storage.settings_files import Loaded
from tests.daemon.linux.test_board_health import put

KEYS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0"
FRAMES, RATE = 64, 48_000


class Files:
    """Settings files that change when told."""

    def __init__(self) -> None:
        self.loaded = Loaded(Settings())
        self.edits = 0

    def load(self) -> Loaded:
        return self.loaded

    def stamp(self) -> object:
        return self.edits

    def edit(self, *faults: str, **settings: Any) -> None:
        self.loaded = Loaded(Settings.model_validate(settings), faults=list(faults))
        self.edits += 1


class Notices:
    """What systemd would hear."""

    watchdog_s = 1.0

    def __init__(self) -> None:
        self.told: list[str] = []

    def __getattr__(self, name: str) -> Any:
        return lambda *_: self.told.append(name)


class Street:
    """Keeper, ring and board as in the daemon; the player is one in this process."""

    alive = True

    def __init__(self, **parts: Any) -> None:
        self.now_us = 1_000_000
        self.ring = MessageRing(memoryview(bytearray(MessageRing.SIZE)))
        self.board = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
        self.ports, self.files, self.notices = SimulatedPorts(), Files(), Notices()
        self.card = True
        self.asked: list[str] = []
        self.playing: Engine | None = None
        self.sent: list[dict[str, Any]] = []
        self._events: list[PlayerEvent] = []
        chase = ChannelState()
        self.lives = PlayerSupervisor(self, self.ring, self.board, chase)
        self.keeper = Keeper(
            self.files,
            Controllers(self.ports, self.ring.put, chase=chase),
            self.lives,
            self.notices,  # type: ignore[arg-type]
            clock_us=lambda: self.now_us,
            lamp=StatusLed(Path("/nowhere")),
            switch_off=lambda: self.asked.append("off"),
            **{"health": Health(Path("/nowhere")), **parts},
        )

    # What makes players.
    def start(self, job: PlayerJob) -> None:
        self.board.clear()
        if not self.card:
            self._events.append(PlayerEvent("refused", "no sound card"))
            return
        settings = Settings.model_validate(job.settings_plain)
        self.playing = Engine(
            settings, ring=self.ring, board=self.board, sample_rate=RATE, block_frames=FRAMES
        )
        details = {
            "card": Card("box", "usb", RATE, 2, 0).as_plain(),
            "sample_rate": RATE,
            "delay_ms": 3.0,
        }
        self._events.append(PlayerEvent("ready", "output 'box'", details=details))

    def send(self, settings_plain: dict[str, Any], sounds_plain: dict[str, Any]) -> None:
        self.sent.append(settings_plain)

    def exclusive(self, controller: int, message: bytes) -> None:
        assert self.playing is not None
        self.playing.exclusive(controller, message)

    def cue(self, name: str, level_db: float) -> None:
        assert self.playing is not None
        self.playing.cue(samples(name, RATE, level_db))

    def stop(self) -> None:
        self.end("stopped", "ended", "info")

    def events(self) -> list[PlayerEvent]:
        events, self._events = self._events, []
        return events

    def end(self, text: str, kind: Any = "lost", level: str = "warning") -> None:
        self.playing = None
        self._events.append(PlayerEvent(kind, text, level))

    # The world.
    def run(self, seconds: float) -> None:
        out = np.zeros((FRAMES, 2), np.float32)
        until = self.now_us + round(seconds * 1e6)
        block_us, due_us = FRAMES * 1e6 / RATE, self.now_us
        while self.now_us < until:
            if self.now_us >= due_us:
                self.keeper.tick()
                due_us += round(TICK_S * 1e6)
            if self.playing is not None:
                self.playing.block(out, self.now_us)
                for controller, message in self.playing.replies():
                    details = {"controller": controller, "message": message.hex()}
                    self._events.append(PlayerEvent("reply", "", details=details))
            self.now_us += round(block_us)

    def play(self, *keys: int) -> None:
        for key in keys:
            assert self.ports.send(KEYS, bytes([0x90, key, 100]), self.now_us)

    @property
    def accounts(self) -> dict[str, int]:
        accounts: dict[str, int] = self.keeper.status()["notes"]["accounts"]
        return {name: count for name, count in accounts.items() if count}


@pytest.fixture
def street(caplog: pytest.LogCaptureFixture) -> Street:
    caplog.set_level(logging.INFO)
    made = Street()
    made.keeper.start()
    made.run(0.5)
    return made


def test_a_controller_that_comes_goes_and_comes_is_told_and_plays_again(
    street: Street, caplog: pytest.LogCaptureFixture
) -> None:
    street.ports.plug(KEYS)
    street.run(0.5)
    street.play(60, 64, 67)
    street.run(0.5)
    assert street.accounts == {"sounding": 3}
    street.ports.unplug(KEYS)
    street.run(0.5)
    assert street.accounts == {"cut": 3}
    street.ports.plug(KEYS)
    street.run(0.5)
    street.play(72)
    street.run(0.1)
    assert street.accounts == {"cut": 3, "sounding": 1}
    lines = [line for line in caplog.messages if "controller" in line and "ready" not in line]
    assert lines == [
        "controller connected: 'Cargo Bike Keys 25' as controller 1",
        "controller lost: 'Cargo Bike Keys 25'; 3 held notes released; looking every 0.25 s",
        "controller reconnected: 'Cargo Bike Keys 25' as controller 1, away 0.5 s",
    ]


def test_a_lost_card_cuts_what_sounded_and_loses_no_account(
    street: Street, caplog: pytest.LogCaptureFixture
) -> None:
    street.ports.plug(KEYS)
    street.run(0.5)
    street.play(60, 64)
    street.run(0.2)
    street.card = False
    street.end("'box' went away")
    street.run(0.5)
    street.play(65)
    street.run(1.5)
    assert street.accounts == {"cut": 2, "no sound card": 1}
    street.card = True
    street.run(2.0)
    street.play(67)
    street.run(0.2)
    assert street.accounts == {"cut": 2, "no sound card": 1, "sounding": 1}
    assert street.keeper.status()["notes"]["received"] == 4
    assert "'box' went away; 2 notes cut; looking for a sound card" in caplog.messages
    assert any(line.startswith("sounding again after") for line in caplog.messages)


def test_a_new_player_begins_with_the_controls_where_they_were_left(street: Street) -> None:
    street.ports.plug(KEYS)
    street.run(0.5)
    street.ports.send(KEYS, b"\xb0\x07\x00", street.now_us)
    street.run(0.2)
    street.end("'box' went away")
    street.run(1.0)
    street.play(60)
    street.run(0.1)
    assert street.ports.send(KEYS, b"\x80\x3c\x00", street.now_us)
    street.run(0.1)
    assert street.accounts == {"inaudible at volume 0": 1}


def test_an_edit_goes_to_the_player_and_a_wrong_one_changes_nothing(
    street: Street, caplog: pytest.LogCaptureFixture
) -> None:
    street.files.edit(polyphony=5)
    street.run(1.0)
    assert [plain["polyphony"] for plain in street.sent] == [5]
    assert (
        "settings read again: 5 voices, sound 'market-organ'; new: polyphony = 5" in caplog.messages
    )
    street.files.edit("file: polyphony = 0: has to be 1 to 256")
    street.run(1.0)
    assert len(street.sent) == 1
    assert street.keeper.settings.polyphony == 5
    assert "file: polyphony = 0: has to be 1 to 256" in caplog.messages
    assert "settings left as they were" in caplog.messages


def test_systemd_hears_of_life_only_while_blocks_go_on(street: Street) -> None:
    assert street.notices.told.count("ready") == 1
    street.run(2.0)
    before = street.notices.told.count("watchdog")
    assert before >= 3
    street.playing = None  # the callback hangs, and nobody says so
    street.run(3.0)
    assert street.notices.told.count("watchdog") <= before + 1


def test_without_a_card_the_search_keeps_the_watchdog_fed(street: Street) -> None:
    street.card = False
    street.end("'box' went away")
    street.run(0.5)
    before = street.notices.told.count("watchdog")
    street.run(3.0)
    assert street.notices.told.count("watchdog") >= before + 4


def test_what_is_missed_is_summed_into_one_line(
    street: Street, caplog: pytest.LogCaptureFixture
) -> None:
    assert street.playing is not None
    street.playing.timing.underflows += 7
    street.run(3.0)
    street.playing.timing.underflows += 5
    street.run(3.0)
    lines = [line for line in caplog.messages if "underflows" in line]
    assert len(lines) == 1
    assert lines[0].startswith("7 underflows in the last ")


def test_the_chord_releases_says_farewell_saves_and_asks_for_the_power_to_go(
    street: Street, caplog: pytest.LogCaptureFixture
) -> None:
    street.files.edit(power={"off_keys": [36, 38]})
    street.ports.plug(KEYS)
    street.run(1.0)
    street.play(36, 38)
    # Asked for while the chord sounds: no pause for it yet.
    street.keeper.pauses.ask("what was learned", lambda: street.asked.append("saved"))
    street.run(5.5)
    assert "switching off: its chord was held for 5 s" in caplog.messages
    assert (street.asked, street.accounts) == ([], {"cut": 2})
    street.run(10.0)
    assert street.asked == ["saved", "off"]


def test_an_identity_request_is_answered_to_the_controller_that_asked(street: Street) -> None:
    """MIDI 1.0, p. 40: F0 7E <device> 06 02 mm ff ff dd dd ss ss ss ss F7; 7D: non-commercial."""
    street.ports.plug(KEYS)
    street.run(0.5)
    street.ports.send(KEYS, bytes.fromhex("f07e7f0601f7"), street.now_us)
    street.run(1.0)
    ((port, answer),) = street.ports.answers
    assert port == KEYS
    assert answer[:2] + answer[3:6] == bytes.fromhex("f07e06027d")
    assert (len(answer), answer[-1]) == (15, 0xF7)


def test_a_tuning_reaches_the_player_and_the_one_after_it(street: Street) -> None:
    """Master coarse tuning an octave up (CA-025): A3, 220 Hz, sounds at 440; so it stays."""
    street.files.edit(sound={"name": "sine"})
    street.ports.plug(KEYS)
    street.run(0.5)
    street.ports.send(KEYS, bytes.fromhex("f07f7f0404004cf7"), street.now_us)
    street.run(1.0)

    def pitch_hz() -> float:
        street.play(57)
        street.run(0.2)
        assert street.playing is not None
        heard = np.zeros((RATE // FRAMES, FRAMES, 2), np.float32)
        for block in heard:
            street.playing.block(block, street.now_us)
            street.now_us += FRAMES * 1_000_000 // RATE
        wave = heard.reshape(-1, 2)[:, 0]
        crossings = np.flatnonzero((wave[:-1] < 0) & (wave[1:] >= 0))
        return float(RATE * (len(crossings) - 1) / (crossings[-1] - crossings[0]))

    assert pitch_hz() == pytest.approx(440.0, rel=0.002)
    street.end("the card is gone")
    street.run(3.0)
    assert pitch_hz() == pytest.approx(440.0, rel=0.002)


def test_losing_one_controller_releases_its_own_notes_and_no_other(street: Street) -> None:
    other = "Foot Bass:Foot Bass MIDI 1 28:0"
    street.ports.plug(KEYS)
    street.ports.plug(other)
    street.run(0.5)
    street.play(60, 64)
    assert street.ports.send(other, bytes([0x90, 60, 100]), street.now_us)
    street.run(0.2)
    street.ports.unplug(KEYS)
    street.run(0.5)
    assert street.accounts == {"cut": 2, "sounding": 1}
    assert street.ports.send(other, bytes([0x80, 60, 0]), street.now_us)
    street.run(0.2)
    assert street.accounts == {"cut": 2, "released": 1}


def test_a_flood_that_leaves_no_room_makes_no_note_hang(street: Street) -> None:
    """What lets go comes late then; a key struck anew in the meantime is not let go."""
    loose = "Loose Contact:Loose Contact MIDI 1 28:0"
    street.ports.plug(KEYS)
    street.ports.plug(loose)
    street.run(0.5)
    pedal_down, pedal_up = b"\xb0\x40\x7f", b"\xb0\x40\x00"
    street.ports.send(KEYS, b"\x91\x30\x64", street.now_us)
    street.ports.send(KEYS, pedal_down, street.now_us)
    street.play(60, 64)
    street.ports.send(KEYS, b"\x80\x3c\x00", street.now_us)
    street.run(0.2)
    assert street.accounts == {"sounding": 3}
    for number in range(3000):
        assert street.ports.send(loose, bytes((0xB0, 20, number % 128)), street.now_us)
    street.ports.send(KEYS, b"\x90\x48\x64", street.now_us)
    for message in (pedal_up, b"\x80\x40\x00", b"\x81\x30\x00"):
        street.ports.send(KEYS, message, street.now_us)
    street.run(0.1)
    assert street.ports.send(KEYS, b"\x91\x30\x64", street.now_us)
    street.run(0.5)
    found = {"sounding": 1, "released": 2, "retriggered": 1, "queue overflow": 1}
    assert street.accounts == found
    assert street.keeper.status()["notes"]["received"] == 5


def test_a_weak_supply_stands_on_the_timeline_with_the_losses_before_and_after_it(
    tmp_path: Path,
) -> None:
    """From the kernel's file to ``partiald why``; four times low within a minute is one line.

    Source: the kernel's sysfs-class-hwmon, ``in0_lcrit_alarm``.
    """
    street = Street(health=Health(tmp_path))
    chronicle = street.keeper.chronicle
    ears = chronicle.ears()
    logging.getLogger().addHandler(ears)
    try:
        street.keeper.start()
        street.ports.plug(KEYS)
        street.run(1.0)
        street.ports.unplug(KEYS)
        street.run(1.0)
        for low in (0, 1, 0, 1, 1, 0, 1, 0, 1):
            put(tmp_path, hwmon__hwmon0__name="rpi_volt", hwmon__hwmon0__in0_lcrit_alarm=low)
            street.run(LOOK_US / 1e6)
        assert street.playing is not None
        street.playing.timing.underflows += 1
        street.run(1.0)
    finally:
        logging.getLogger().removeHandler(ears)
    pulled, weak, dry = readable(chronicle.told(0, 20)).splitlines()[:3]
    assert "controller lost: 'Cargo Bike Keys 25'" in pulled
    assert "the supply voltage is too low: a shorter or thicker cable, a stronger supply" in weak
    assert "(4 times in 14 s)" in weak
    assert "the card ran dry" in dry
