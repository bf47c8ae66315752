"""The players as the keeper sees them, scripted: what each one leaves behind and what is told."""

import logging
import random

import pytest

from config.library import shipped
from config.settings import Settings
from daemon.ipc.messages import NewSettings
from daemon.keeper.status_fields import sentence
from daemon.keeper.supervisor import LONGEST_US, PATIENCE_S
from daemon.player.beginning import prepared
from daemon.soundcard.card import Card
from daemon.storage.settings_files import LoadedSettings
from tests.support.keeper_bench import KEYS, NO_CARD, READY, TICK_US, KeeperBench


def test_ready_is_reported_once_settings_are_in_force_even_without_a_card(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    bench.keeper.start()
    assert bench.notices.lines == ["ready"]
    bench.tick()
    bench.say("refused", NO_CARD, "warning")
    assert f"{NO_CARD}; looking every 1.0 s" in caplog.messages
    bench.tick(40)
    # Steady state is silence.
    assert caplog.messages[-1] == f"{NO_CARD}; looking every 1.0 s"
    assert (
        sentence(bench.supervisor, bench.controllers)
        == f"silent: {NO_CARD}; hearing no controller yet"
    )


def test_a_card_is_looked_for_every_second(caplog: pytest.LogCaptureFixture) -> None:
    bench = KeeperBench()
    bench.keeper.start()
    for _ in range(40):
        bench.tick()
        if len(bench.players.jobs) > bench.players.stops:
            bench.players.stops += 1
            bench.players.say("refused", NO_CARD, "warning")
    assert 9 <= len(bench.players.jobs) <= 11
    assert caplog.messages.count(f"{NO_CARD}; looking every 1.0 s") == 1


def test_a_card_that_appears_is_tried_at_once() -> None:
    bench = KeeperBench()
    bench.find_no_card()
    assert len(bench.players.jobs) == 1
    bench.card = object()
    bench.tick()
    assert len(bench.players.jobs) == 2


def test_a_player_is_told_whether_program_changes_have_chosen_a_sound() -> None:
    bench = KeeperBench()
    bench.find_no_card()
    bench.channel_state.record((0xC0, 3), 0)
    bench.card = object()
    bench.tick()
    assert [job.programs for job in bench.players.jobs] == [False, True]


def test_only_a_card_that_has_just_come_is_waited_for_until_it_is_ours() -> None:
    bench = KeeperBench()
    bench.find_no_card()
    bench.tick(4)
    bench.say("refused", NO_CARD, "warning")
    bench.card = object()
    bench.tick()
    assert [job.patience_s for job in bench.players.jobs] == [PATIENCE_S, 0.0, PATIENCE_S]


def test_the_ready_line_names_voices_sound_output_and_controllers(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench(polyphony=12, sound={"name": "sine"})
    bench.ports.plug(KEYS)
    bench.play()
    assert caplog.messages == [
        "controller connected: 'Cargo Bike Keys 25' as controller 1",
        f"ready: 12 voices, sound 'sine', {READY}; controllers: 'Cargo Bike Keys 25'",
    ]
    assert (
        sentence(bench.supervisor, bench.controllers)
        == "playing 'Cargo Bike Keys 25' on 'Market Card'"
    )


def test_a_controllers_coming_and_going_is_reported(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    bench.ports.plug(KEYS)
    bench.play()
    bench.note(60)
    bench.note(64)
    bench.ports.unplug(KEYS)
    bench.tick()
    bench.tick(12)
    bench.ports.plug(KEYS)
    bench.tick()
    assert caplog.messages[-2:] == [
        "controller lost: 'Cargo Bike Keys 25'; 2 held notes released; looking every 0.25 s",
        "controller reconnected: 'Cargo Bike Keys 25' as controller 1, away 3.2 s",
    ]


def test_controllers_are_numbered_from_1_in_the_status() -> None:
    bench = KeeperBench()
    bench.ports.plug(KEYS)
    bench.ports.plug("Bell Pedals:Bell Pedals MIDI 1 28:0")
    bench.play()
    assert bench.keeper.status()["controllers"] == [
        {"number": 1, "name": "Cargo Bike Keys 25"},
        {"number": 2, "name": "Bell Pedals"},
    ]


def test_a_player_that_was_asked_to_end_is_logged_as_that_and_no_more(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    bench.play()
    bench.supervisor.stop(bench.now_us)
    caplog.clear()
    bench.say("ended", "the player stopped as asked")
    assert caplog.messages == ["the player stopped as asked"]


def test_notes_without_a_card_are_counted_as_that() -> None:
    bench = KeeperBench()
    bench.ports.plug(KEYS)
    bench.find_no_card()
    for key in (60, 64, 67):
        bench.note(key)
    bench.ports.send(KEYS, b"\x90\x3c\x00", 1)
    bench.tick()
    assert bench.accounts() == {"no sound card": 3}


def test_a_lost_card_cuts_what_sounds_and_loses_no_account(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    bench.ports.plug(KEYS)
    bench.play()
    bench.note(60)
    bench.note(64)
    bench.take()
    bench.tick()
    assert bench.accounts() == {"sounding": 2}
    # Taken by the player, which ends before it has published; and never taken.
    bench.note(67)
    bench.take()
    bench.note(69)
    bench.blocks = False
    bench.say("lost", "'Market Card' went away", "warning")
    assert bench.accounts() == {"cut": 3, "no sound card": 1}
    assert "'Market Card' went away; 3 notes cut; looking for a sound card" in caplog.messages
    bench.tick(8)
    bench.blocks = True
    bench.say("ready", READY)
    assert caplog.messages[-1] == f"sounding again after 2.2 s: {READY}"
    bench.note(72)
    bench.take()
    bench.tick()
    assert bench.accounts() == {"cut": 3, "no sound card": 1, "sounding": 1}


def test_a_new_player_finds_the_controls_where_they_were_left() -> None:
    bench = KeeperBench()
    left = (b"\xb0\x07\x28", b"\xc0\x04", b"\xe0\x00\x60", b"\xb0\x07\x29")
    heard = heard_after_another_player(bench, bench.players.card, *left)
    assert heard == [b"\xb0\x07\x29", b"\xc0\x04", b"\xe0\x00\x60"]
    first = bench.players.instrument.heard[0][2]
    assert first == b"\xc0\x04", "what is set belongs to the program that was chosen"


MOVED = (b"\xb0\x07\x7f", b"\xb2\x07\x70", b"\xb0\x0a\x20", b"\xb1\x07\x28")


def heard_after_another_player(bench: KeeperBench, card: Card, *left: bytes) -> list[bytes]:
    """Return the messages for a player on ``card`` after ``left`` were the market card's."""
    bench.ports.plug(KEYS)
    bench.play()
    bench.hear(*left)
    bench.take()
    return heard_after_loss(bench, "Market Card", card)


def heard_after_loss(bench: KeeperBench, lost: str, card: Card) -> list[bytes]:
    bench.say("lost", f"'{lost}' went away", "warning")
    bench.players.card = card
    bench.tick(8)
    bench.say("ready", READY)
    bench.take()
    return sorted(message for _, _, message in bench.players.instrument.heard)


def test_the_same_card_is_as_loud_as_it_was() -> None:
    bench = KeeperBench()
    assert heard_after_another_player(bench, bench.players.card, *MOVED) == sorted(MOVED)


def test_another_card_starts_at_the_level_of_power_on_wherever_the_volume_stood() -> None:
    bench = KeeperBench()
    market = bench.players.card
    jack = Card("Headphones", "jack", 48_000, 2, 1, identity="jack")
    heard = heard_after_another_player(bench, jack, *MOVED)
    assert heard == [b"\xb0\x0a\x20", b"\xb1\x07\x28"]
    # The first one, back again, is as loud as it was; a control moved since stays as it is.
    bench.hear(b"\xb2\x07\x32")
    bench.take()
    heard = heard_after_loss(bench, "Headphones", market)
    assert b"\xb0\x07\x7f" in heard
    assert b"\xb2\x07\x32" in heard
    assert b"\xb2\x07\x70" not in heard


def test_a_knob_bound_to_the_volume_counts_as_volume() -> None:
    bindings = [{"control": 20, "target": "volume"}, {"control": 7, "target": "tilt"}]
    bench = KeeperBench(bindings=bindings)
    jack = Card("Headphones", "jack", 48_000, 2, 1, identity="jack")
    left = (b"\xb0\x14\x7f", b"\xb0\x07\x7f", b"\xb1\x14\x08")
    heard = heard_after_another_player(bench, jack, *left)
    assert heard == [b"\xb0\x07\x7f", b"\xb1\x14\x08"]


def test_a_better_card_that_comes_is_changed_over_to(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    jack = Card("Headphones", "jack", 48_000, 2, -1, number=0, identity="jack")
    bench.players.card, bench.there = jack, [jack]
    bench.play()
    bench.tick(20)
    assert bench.players.stops == 0
    bench.there = [jack, Card("Street Audio", "usb", 0, 0, -1, number=1, identity="street")]
    bench.tick(5)
    assert bench.players.stops == 1
    assert caplog.messages[-1] == "a better sound card has come: switching to 'Street Audio'"
    bench.players.card = bench.there[1]
    bench.say("ended", "the player stopped as asked")
    bench.say("ready", READY)
    bench.tick(40)
    assert (len(bench.players.jobs), bench.players.stops) == (2, 1)


def test_received_is_the_sum_of_the_accounts_whatever_happens() -> None:
    seeded = random.Random(4)
    for _ in range(20):
        bench = KeeperBench()
        bench.ports.plug(KEYS)
        bench.keeper.start()
        bench.tick()
        sent = 0
        for _ in range(60):
            match seeded.randrange(6):
                case 0 | 1:
                    bench.note(seeded.randrange(128))
                    sent += 1
                case 2 if bench.supervisor.playing:
                    bench.take()
                case 3:
                    bench.tick()
                case 4 if bench.supervisor.playing:
                    bench.blocks = seeded.random() < 0.5
                    bench.say("lost", "'Market Card' went away", "warning")
                    bench.blocks = True
                case 5 if len(bench.players.jobs) and not bench.supervisor.playing:
                    bench.tick(4)
                    bench.say("ready", READY)
                case _:
                    pass
        bench.blocks = False
        bench.players.say("ended", "the player was ended by SIGKILL", "error")
        bench.tick()
        assert sum(bench.accounts().values()) == sent


def test_an_edit_is_sent_to_the_player_once_the_file_has_settled(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    bench.play()
    bench.source.put(LoadedSettings(Settings(polyphony=3)))
    bench.tick()
    assert bench.players.settings == []
    bench.tick()
    assert [plain["polyphony"] for plain in bench.players.settings] == [3]
    assert (
        caplog.messages[-1]
        == "settings read again: 3 voices, sound 'market-organ'; new: polyphony = 3"
    )
    bench.tick(5)
    assert len(bench.players.settings) == 1
    assert bench.notices.lines[-5:].count("ready") <= 1
    assert "reloading" in bench.notices.lines


def test_every_sound_reaches_the_player_as_its_file_has_it() -> None:
    bench = KeeperBench()
    bench.play()
    bench.source.put(LoadedSettings(Settings(), shipped()))
    bench.tick(2)
    (sent,) = (each for each in bench.players.sent if isinstance(each, NewSettings))
    assert prepared(sent.settings, sent.sounds) == (Settings(), shipped())


def test_a_fault_in_an_edit_is_reported_and_changes_nothing(
    caplog: pytest.LogCaptureFixture,
) -> None:
    bench = KeeperBench(polyphony=5)
    bench.play()
    fault = "partiald.toml: polyphony = 0: input should be greater than or equal to 1"
    bench.source.put(LoadedSettings(Settings(), faults=[fault]))
    bench.tick(4)
    assert caplog.messages == [fault, "settings left as they were"]
    assert bench.players.settings == []
    assert bench.keeper.settings.polyphony == 5
    bench.source.put(LoadedSettings(Settings(polyphony=6)))
    bench.tick(2)
    assert [plain["polyphony"] for plain in bench.players.settings] == [6]


def test_faults_at_the_start_are_reported_and_it_plays(caplog: pytest.LogCaptureFixture) -> None:
    bench = KeeperBench()
    bench.source.put(
        LoadedSettings(Settings(), faults=["a.toml: x: unknown key"], remarks=["b says so"])
    )
    bench.play()
    assert caplog.messages == [
        "a.toml: x: unknown key",
        "playing without the faulty settings",
        "b says so",
    ]
    assert bench.supervisor.playing
    assert bench.keeper.status()["settings"]["faults"] == ["a.toml: x: unknown key"]


def test_other_audio_settings_take_a_new_player() -> None:
    bench = KeeperBench()
    bench.play()
    bench.source.put(LoadedSettings(Settings.model_validate({"audio": {"block_frames": 256}})))
    bench.tick(2)
    assert (bench.players.settings, bench.players.stops) == ([], 1)
    bench.say("ended", "the player stopped as asked")
    assert [job.settings["audio"]["block_frames"] for job in bench.players.jobs] == [64, 256]


def test_other_audio_settings_right_after_the_start_are_taken_over(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """The player that opens its card is ended; that it was ready just then changes nothing."""
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    bench.keeper.start()
    bench.tick()
    bench.source.put(LoadedSettings(Settings.model_validate({"audio": {"block_frames": 256}})))
    bench.tick(2)
    assert bench.players.stops == 1
    bench.say("ready", READY)
    assert not bench.supervisor.playing
    assert not any(line.startswith("ready:") for line in caplog.messages)
    bench.tick(2)
    assert bench.players.stops == 1
    bench.say("ended", "the player stopped as asked")
    assert [job.settings["audio"]["block_frames"] for job in bench.players.jobs] == [64, 256]
    bench.say("ready", READY)
    assert bench.supervisor.playing


def test_edits_while_a_player_ends_go_to_the_next_one() -> None:
    bench = KeeperBench()
    bench.play()
    bench.supervisor.stop(bench.now_us)
    bench.source.put(LoadedSettings(Settings(polyphony=3)))
    bench.tick(2)
    assert bench.players.settings == []
    bench.say("ended", "the player stopped as asked")
    assert [job.settings["polyphony"] for job in bench.players.jobs] == [16, 3]


@pytest.mark.parametrize("stopping", [False, True])
def test_a_fork_server_that_neither_begins_nor_ends_a_player_starves_the_watchdog(
    stopping: bool, caplog: pytest.LogCaptureFixture
) -> None:
    bench = KeeperBench(watchdog_s=0.5)
    bench.keeper.start()
    bench.tick()
    if stopping:
        bench.supervisor.stop(bench.now_us)
    patient = LONGEST_US[bench.supervisor.state] // TICK_US - 1
    bench.notices.lines.clear()
    bench.tick(patient)
    assert bench.notices.lines.count("watchdog") == patient
    bench.tick(3)
    bench.notices.lines.clear()
    bench.tick(8)
    assert "watchdog" not in bench.notices.lines
    assert caplog.messages.count("the fork server does not answer") == 1


def test_another_controller_name_takes_effect_at_once() -> None:
    bench = KeeperBench()
    bench.ports.plug(KEYS)
    bench.play()
    assert bench.controllers.controllers
    bench.source.put(LoadedSettings(Settings.model_validate({"controller": {"name": "bell"}})))
    bench.tick(3)
    assert bench.controllers.controllers == {}


def test_the_watchdog_is_fed_while_blocks_go_on() -> None:
    bench = KeeperBench(watchdog_s=0.5)
    bench.play()
    bench.notices.lines.clear()
    bench.tick(8)
    assert bench.notices.lines.count("watchdog") == 8
    bench.blocks = False
    bench.tick(2)
    bench.notices.lines.clear()
    bench.tick(8)
    assert "watchdog" not in bench.notices.lines


def test_the_watchdog_is_fed_while_a_card_is_looked_for() -> None:
    bench = KeeperBench(watchdog_s=0.5)
    bench.find_no_card()
    bench.notices.lines.clear()
    bench.tick(8)
    assert bench.notices.lines.count("watchdog") == 8


def test_a_player_that_stands_still_is_replaced(caplog: pytest.LogCaptureFixture) -> None:
    bench = KeeperBench()
    bench.play()
    bench.blocks = False
    bench.tick(24)
    assert bench.players.stops == 1
    assert "; replacing the player" in caplog.messages[-1]


def test_the_end_is_reported(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    bench = KeeperBench()
    bench.ports.plug(KEYS)
    bench.play()
    bench.note()
    bench.take()
    bench.tick()
    bench.keeper.stop()
    assert caplog.messages[-1] == "stopped after 1 s: 1 note received"
    assert bench.notices.lines[-1] == "stopping"
    assert bench.players.stops == 1
    assert not bench.ports.send(KEYS, b"\x90\x3c\x64", 1)
