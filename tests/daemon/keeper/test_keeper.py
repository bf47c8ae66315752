"""The keeper in virtual time, with players and controllers that do as they are told."""

import logging
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from daemon.diagnosis.event_log import EventLog
from daemon.diagnosis.readable import readable_losses
from daemon.keeper.power_off import LOW_US
from daemon.linux.board_health import READ_US, BoardHealth
from daemon.storage.deferred_writes import DeferredWrites
from tests.support.sysfs_tree import put
from tests.support.virtual_daemon import FRAMES, KEYS, RATE, VirtualDaemon


@pytest.fixture
def daemon(caplog: pytest.LogCaptureFixture) -> VirtualDaemon:
    caplog.set_level(logging.INFO)
    made = VirtualDaemon()
    made.keeper.start()
    made.run(0.5)
    return made


def test_a_controller_that_comes_goes_and_comes_is_reported_and_plays_again(
    daemon: VirtualDaemon, caplog: pytest.LogCaptureFixture
) -> None:
    daemon.ports.plug(KEYS)
    daemon.run(0.5)
    daemon.play(60, 64, 67)
    daemon.run(0.5)
    assert daemon.accounts == {"sounding": 3}
    daemon.ports.unplug(KEYS)
    daemon.run(0.5)
    assert daemon.accounts == {"cut": 3}
    daemon.ports.plug(KEYS)
    daemon.run(0.5)
    daemon.play(72)
    daemon.run(0.1)
    assert daemon.accounts == {"cut": 3, "sounding": 1}
    lines = [line for line in caplog.messages if "controller" in line and "ready" not in line]
    assert lines == [
        "controller connected: 'Cargo Bike Keys 25' as controller 1",
        "controller lost: 'Cargo Bike Keys 25'; 3 held notes released; looking every 0.25 s",
        "controller reconnected: 'Cargo Bike Keys 25' as controller 1, away 0.5 s",
    ]


def test_a_lost_card_cuts_what_sounded_and_loses_no_account(
    daemon: VirtualDaemon, caplog: pytest.LogCaptureFixture
) -> None:
    daemon.ports.plug(KEYS)
    daemon.run(0.5)
    daemon.play(60, 64)
    daemon.run(0.2)
    daemon.card = False
    daemon.end("'box' went away")
    daemon.run(0.5)
    daemon.play(65)
    daemon.run(1.5)
    assert daemon.accounts == {"cut": 2, "no sound card": 1}
    daemon.card = True
    daemon.run(2.0)
    daemon.play(67)
    daemon.run(0.2)
    assert daemon.accounts == {"cut": 2, "no sound card": 1, "sounding": 1}
    assert daemon.keeper.status()["notes"]["received"] == 4
    assert "'box' went away; 2 notes cut; looking for a sound card" in caplog.messages
    assert any(line.startswith("sounding again after") for line in caplog.messages)


def test_a_new_player_begins_with_the_controls_where_they_were_left(daemon: VirtualDaemon) -> None:
    daemon.ports.plug(KEYS)
    daemon.run(0.5)
    daemon.hear(b"\xb0\x07\x00")
    daemon.run(0.2)
    daemon.end("'box' went away")
    daemon.run(1.0)
    daemon.play(60)
    daemon.run(0.1)
    assert daemon.ports.send(KEYS, b"\x80\x3c\x00", daemon.now_us)
    daemon.run(0.1)
    assert daemon.accounts == {"inaudible at volume 0": 1}


def test_an_edit_goes_to_the_player_and_a_wrong_one_changes_nothing(
    daemon: VirtualDaemon, caplog: pytest.LogCaptureFixture
) -> None:
    daemon.files.edit(polyphony=5)
    daemon.run(1.0)
    assert [plain["polyphony"] for plain in daemon.sent] == [5]
    assert (
        "settings read again: 5 voices, sound 'market-organ'; new: polyphony = 5" in caplog.messages
    )
    daemon.files.edit("file: polyphony = 0: must be 1 to 256")
    daemon.run(1.0)
    assert len(daemon.sent) == 1
    assert daemon.keeper.settings.polyphony == 5
    assert "file: polyphony = 0: must be 1 to 256" in caplog.messages
    assert "settings left as they were" in caplog.messages


def test_systemd_hears_of_life_only_while_blocks_go_on(daemon: VirtualDaemon) -> None:
    assert daemon.notices.lines.count("ready") == 1
    daemon.run(2.0)
    before = daemon.notices.lines.count("watchdog")
    assert before >= 3
    daemon.playing = None  # the callback hangs, and nobody says so
    daemon.run(3.0)
    assert daemon.notices.lines.count("watchdog") <= before + 1


def test_without_a_card_the_search_keeps_the_watchdog_fed(daemon: VirtualDaemon) -> None:
    daemon.card = False
    daemon.end("'box' went away")
    daemon.run(0.5)
    before = daemon.notices.lines.count("watchdog")
    daemon.run(3.0)
    assert daemon.notices.lines.count("watchdog") >= before + 4


def test_what_is_missed_is_summed_into_one_line(
    daemon: VirtualDaemon, caplog: pytest.LogCaptureFixture
) -> None:
    assert daemon.playing is not None
    daemon.playing.timing.underflows += 7
    daemon.run(3.0)
    daemon.playing.timing.underflows += 5
    daemon.run(3.0)
    lines = [line for line in caplog.messages if "underflows" in line]
    assert len(lines) == 1
    assert lines[0].startswith("7 underflows in the last ")


def test_what_is_missed_just_before_the_end_is_logged(
    daemon: VirtualDaemon, caplog: pytest.LogCaptureFixture
) -> None:
    assert daemon.playing is not None
    daemon.run(1.0)
    daemon.playing.timing.underflows += 3
    daemon.run(2 * FRAMES / RATE)
    daemon.keeper.stop()
    assert [line[:12] for line in caplog.messages if "underflow" in line] == ["3 underflows"]


def test_held_keys_of_a_channel_that_is_not_listened_to_were_no_held_notes(
    daemon: VirtualDaemon, caplog: pytest.LogCaptureFixture
) -> None:
    daemon.files.edit(controller={"channels": [2]})
    daemon.ports.plug(KEYS)
    daemon.run(1.0)
    for channel in (0, 1, 1):
        daemon.hear(bytes([0x90 | channel, 60 + channel, 100]))
    daemon.ports.unplug(KEYS)
    daemon.run(0.5)
    assert sum("; 1 held note released" in line for line in caplog.messages) == 1


def test_the_chord_releases_says_farewell_saves_and_asks_for_the_power_to_go(
    daemon: VirtualDaemon, caplog: pytest.LogCaptureFixture
) -> None:
    daemon.files.edit(power={"off_keys": [36, 38]})
    daemon.ports.plug(KEYS)
    daemon.run(1.0)
    daemon.play(36, 38)
    # Asked for while the chord sounds: no pause for it yet.
    daemon.writes.request("what was learned", lambda: partial(daemon.asked.append, "saved"))
    daemon.run(5.5)
    assert "switching off: the chord for it was held for 5 s" in caplog.messages
    assert (daemon.asked, daemon.accounts) == ([], {"cut": 2})
    daemon.run(10.0)
    assert daemon.asked == ["saved", "off"]


def test_a_battery_run_down_is_told_saved_and_asks_for_the_power_to_go(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """From the kernel's files on; source: its ABI page sysfs-class-power."""
    event_log = EventLog(lambda: virtual.now_us)
    daemon = virtual = VirtualDaemon(health=BoardHealth(tmp_path), event_log=event_log)
    put(tmp_path, power_supply__pack__type="Battery", power_supply__pack__status="Discharging")
    put(tmp_path, power_supply__pack__capacity=20)
    daemon.files.edit(power={"off_at_percent": 8})
    daemon.keeper.start()
    daemon.run(1.0)
    put(tmp_path, power_supply__pack__capacity=8)
    daemon.run(LOW_US / 1e6)
    assert daemon.cues == ["unwell"]
    daemon.ports.plug(KEYS)
    daemon.run(0.5)
    daemon.play(60, 64)
    daemon.writes.request("what was learned", lambda: partial(daemon.asked.append, "saved"))
    daemon.run(3.0)
    soon, now = (line for line in caplog.messages if "switching off" in line)
    assert soon == "the battery is at 8 %: switching off in 60 s, unless it is charged"
    assert now == "switching off: the battery has run down to 8 %"
    assert (daemon.asked, daemon.accounts) == ([], {"cut": 2})
    daemon.run(8.0)
    assert daemon.asked == ["saved", "off"]
    assert "farewell" in daemon.cues


def test_a_card_that_never_answers_delays_no_ping_of_the_watchdog_and_is_given_one_write() -> None:
    begun: list[Callable[[], None]] = []
    daemon = VirtualDaemon(writes=DeferredWrites(begun.append))
    daemon.keeper.start()
    written: list[str] = []
    for name in ("the first", "the second"):
        daemon.writes.request(name, lambda name=name: partial(written.append, name))  # type: ignore[misc]
    daemon.run(4.0)
    assert (len(begun), written) == (1, [])
    before = daemon.notices.lines.count("watchdog")
    daemon.run(10.0)
    assert daemon.notices.lines.count("watchdog") >= before + 18
    assert daemon.writes.pending == ["the first", "the second"]
    begun[0]()
    daemon.run(1.0)
    begun[1]()
    assert written == ["the first", "the second"]


def test_an_identity_request_is_answered_to_the_controller_that_asked(
    daemon: VirtualDaemon,
) -> None:
    """MIDI 1.0, p. 40: F0 7E <device> 06 02 mm ff ff dd dd ss ss ss ss F7; 7D: non-commercial."""
    daemon.ports.plug(KEYS)
    daemon.run(0.5)
    daemon.hear(bytes.fromhex("f07e7f0601f7"))
    daemon.run(1.0)
    ((port, answer),) = daemon.ports.replies
    assert port == KEYS
    assert answer[:2] + answer[3:6] == bytes.fromhex("f07e06027d")
    assert (len(answer), answer[-1]) == (15, 0xF7)


def test_a_tuning_reaches_the_player_and_the_one_after_it(daemon: VirtualDaemon) -> None:
    """Master coarse tuning an octave up (CA-025): A3, 220 Hz, sounds at 440; so it stays."""
    daemon.files.edit(sound={"name": "sine"})
    daemon.ports.plug(KEYS)
    daemon.run(0.5)
    daemon.hear(bytes.fromhex("f07f7f0404004cf7"))
    daemon.run(1.0)

    def pitch_hz() -> float:
        daemon.play(57)
        daemon.run(0.2)
        assert daemon.playing is not None
        heard = np.zeros((RATE // FRAMES, FRAMES, 2), np.float32)
        for block in heard:
            daemon.playing.render_block(block, daemon.now_us)
            daemon.now_us += FRAMES * 1_000_000 // RATE
        wave = heard.reshape(-1, 2)[:, 0]
        crossings = np.flatnonzero((wave[:-1] < 0) & (wave[1:] >= 0))
        return float(RATE * (len(crossings) - 1) / (crossings[-1] - crossings[0]))

    assert pitch_hz() == pytest.approx(440.0, rel=0.002)
    daemon.end("the card is gone")
    daemon.run(3.0)
    assert pitch_hz() == pytest.approx(440.0, rel=0.002)


def test_losing_one_controller_releases_its_own_notes_and_no_other(daemon: VirtualDaemon) -> None:
    other = "Foot Bass:Foot Bass MIDI 1 28:0"
    daemon.ports.plug(KEYS)
    daemon.ports.plug(other)
    daemon.run(0.5)
    daemon.play(60, 64)
    assert daemon.ports.send(other, bytes([0x90, 60, 100]), daemon.now_us)
    daemon.run(0.2)
    daemon.ports.unplug(KEYS)
    daemon.run(0.5)
    assert daemon.accounts == {"cut": 2, "sounding": 1}
    assert daemon.ports.send(other, bytes([0x80, 60, 0]), daemon.now_us)
    daemon.run(0.2)
    assert daemon.accounts == {"cut": 2, "released": 1}


def test_a_flood_that_leaves_no_room_makes_no_note_hang(daemon: VirtualDaemon) -> None:
    """Releases come late then; a key played again in the meantime is not released."""
    loose = "Loose Contact:Loose Contact MIDI 1 28:0"
    daemon.ports.plug(KEYS)
    daemon.ports.plug(loose)
    daemon.run(0.5)
    pedal_down, pedal_up = b"\xb0\x40\x7f", b"\xb0\x40\x00"
    daemon.hear(b"\x91\x30\x64")
    daemon.hear(pedal_down)
    daemon.play(60, 64)
    daemon.hear(b"\x80\x3c\x00")
    daemon.run(0.2)
    assert daemon.accounts == {"sounding": 3}
    for number in range(3000):
        assert daemon.ports.send(loose, bytes((0xB0, 20, number % 128)), daemon.now_us)
    daemon.hear(b"\x90\x48\x64")
    daemon.hear(pedal_up, b"\x80\x40\x00", b"\x81\x30\x00")
    daemon.run(0.1)
    assert daemon.ports.send(KEYS, b"\x91\x30\x64", daemon.now_us)
    daemon.run(0.5)
    found = {"sounding": 1, "released": 2, "retriggered": 1, "queue overflow": 1}
    assert daemon.accounts == found
    assert daemon.keeper.status()["notes"]["received"] == 5


def test_a_weak_supply_stands_on_the_timeline_with_the_losses_before_and_after_it(
    tmp_path: Path,
) -> None:
    """From the kernel's file to ``partiald why``; four times low within a minute is one line.

    Source: the kernel's sysfs-class-hwmon, ``in0_lcrit_alarm``.
    """
    event_log = EventLog(lambda: virtual.now_us)
    daemon = virtual = VirtualDaemon(health=BoardHealth(tmp_path), event_log=event_log)
    ears = event_log.warning_handler()
    logging.getLogger().addHandler(ears)
    try:
        daemon.keeper.start()
        daemon.ports.plug(KEYS)
        daemon.run(1.0)
        daemon.ports.unplug(KEYS)
        daemon.run(1.0)
        for low in (0, 1, 0, 1, 1, 0, 1, 0, 1):
            put(tmp_path, hwmon__hwmon0__name="supply_volt", hwmon__hwmon0__in0_lcrit_alarm=low)
            daemon.run(READ_US / 1e6)
        assert daemon.playing is not None
        daemon.playing.timing.underflows += 1
        daemon.run(1.0)
    finally:
        logging.getLogger().removeHandler(ears)
    pulled, weak, dry = readable_losses(event_log.answer(0, 20)).splitlines()[:3]
    assert "controller lost: 'Cargo Bike Keys 25'" in pulled
    assert (
        "the supply voltage is too low: use a shorter or thicker cable, a stronger supply" in weak
    )
    assert "(4 times in 14 s)" in weak
    assert "the card ran dry" in dry
