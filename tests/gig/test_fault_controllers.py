"""Controllers that are pulled, return, flood and babble, at the whole daemon."""

from collections.abc import Iterator

import pytest

from tests.support.daemon_process import Daemon, belongings
from tests.support.fault_table import FaultLog
from tests.support.stage import staged
from tests.support.virtual_controller import NAME, VirtualController
from tests.support.virtual_daemon import VirtualDaemon
from tests.support.waiting import wait_until

FLOOD = 5_000
ELSEWHERE = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 24:0"
KEYS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0"


def names(daemon: Daemon) -> list[str]:
    return [each["name"] for each in daemon.status()["controllers"]]


def accounts(daemon: Daemon) -> dict[str, int]:
    found: dict[str, int] = daemon.status()["notes"]["accounts"]
    return found


@pytest.fixture
def keys(stage: Daemon) -> Iterator[VirtualController]:
    """A controller that is heard; no note of it is left when it goes."""
    stage.is_unplugged()
    with VirtualController() as controller:
        wait_until(lambda: NAME in names(stage))
        stage.hears(controller)
        yield controller
    wait_until(lambda: names(stage) == [])
    stage.sounds(0)


def test_a_controller_pulled_while_notes_sound_releases_them(
    stage: Daemon, keys: VirtualController
) -> None:
    watch = FaultLog("controller pulled while notes sound", lambda: stage.log)
    before = accounts(stage)["cut"]
    stage.plays(keys, 60, 64, 67)
    keys.pull()
    stage.sounds(0)
    assert accounts(stage)["cut"] == before + 3
    keys.plug()
    watch.wait_for_all()
    stage.hears(keys)
    stage.plays(keys, 60)


def test_a_controller_back_within_100_ms_is_heard_again(
    stage: Daemon, keys: VirtualController
) -> None:
    watch = FaultLog("controller pulled and back within 100 ms", lambda: stage.log)
    stage.plays(keys, 60, 64)
    stage.replugs(keys)  # measured: 33 ms
    watch.wait_for_all()
    stage.sounds(0)
    stage.hears(keys)
    stage.plays(keys, 67)


def test_a_controller_that_sent_active_sensing_and_falls_silent_is_released(
    stage: Daemon, keys: VirtualController
) -> None:
    """Source: MIDI 1.0 Detailed Specification 4.2.1, active sensing: 300 ms."""
    watch = FaultLog("controller that sent active sensing falls silent", lambda: stage.log)
    assert watch.row.lines == []
    with VirtualController("Bell Pedals") as silent:
        wait_until(lambda: len(names(stage)) == 2)
        stage.hears(silent)
        stage.plays(keys, 72)
        received = sum(accounts(stage).values())
        silent.send(0xFE)
        silent.chord(60)
        wait_until(lambda: sum(accounts(stage).values()) == received + 1)
        wait_until(lambda: accounts(stage)["sounding"] == 1)
        stage.plays(silent, 60)


def test_plugging_in_again_and_again_leaves_nothing_behind(
    stage: Daemon, keys: VirtualController
) -> None:
    """Six times; ``tests/soak/replug.py`` does it a thousand times."""
    before, cut = {}, accounts(stage)["cut"]
    for cycle in range(6):
        stage.plays(keys, 60, 64, 67)
        stage.replugs(keys)
        stage.sounds(0)
        stage.hears(keys)
        if cycle == 1:
            before = belongings(stage)
    after = belongings(stage)
    assert accounts(stage)["cut"] == cut + 18
    assert (after["descriptors"], after["threads"]) == (before["descriptors"], before["threads"])
    assert after["bytes"] - before["bytes"] < 1_000_000


def test_a_controller_back_under_another_client_number_is_the_one_it_was(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level("INFO")
    daemon = VirtualDaemon().with_keys()
    watch = FaultLog("controller back on another USB port", lambda: caplog.text)
    daemon.hear(b"\x90\x3c\x64")
    daemon.run(0.5)
    daemon.ports.unplug(KEYS)
    daemon.run(0.5)
    daemon.ports.plug(ELSEWHERE)
    daemon.run(0.5)
    watch.wait_for_all(0.0)
    daemon.ports.send(ELSEWHERE, b"\x90\x40\x64", daemon.now_us)
    daemon.run(0.5)
    found = daemon.keeper.status()
    assert found["notes"]["accounts"]["cut"] == found["notes"]["accounts"]["sounding"] == 1
    assert found["controllers"] == [{"number": 1, "name": NAME}]


def test_two_controllers_of_one_name_play_side_by_side(
    stage: Daemon, keys: VirtualController
) -> None:
    watch = FaultLog("two controllers of the same name", lambda: stage.log)
    with VirtualController() as second:
        wait_until(lambda: len(names(stage)) == 2)
        watch.wait_for_all()
        stage.hears(second)
        stage.plays(keys, 60)
        stage.plays(second, 60, 64)
    # Each releases its own notes only.
    stage.sounds(1)
    stage.hears(keys)


def test_of_two_alike_in_the_kernels_list_each_keeps_its_number(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level("INFO")
    daemon = VirtualDaemon().with_keys()
    watch = FaultLog("two controllers of the same name", lambda: caplog.text)
    daemon.ports.plug(ELSEWHERE)
    daemon.run(0.5)
    watch.wait_for_all(0.0)
    daemon.hear(b"\x90\x3c\x64")
    daemon.ports.send(ELSEWHERE, b"\x90\x3c\x64", daemon.now_us)
    daemon.run(0.5)
    assert daemon.keeper.status()["notes"]["accounts"]["sounding"] == 2
    daemon.ports.unplug(KEYS)
    daemon.run(0.5)
    assert daemon.keeper.status()["notes"]["accounts"]["sounding"] == 1
    assert daemon.keeper.status()["controllers"] == [{"number": 2, "name": NAME}]


def test_a_controller_that_floods_holds_nothing_up_and_every_message_is_accounted_for() -> None:
    with (
        staged() as stage,
        VirtualController() as keys,
        VirtualController("Loose Contact") as loose,
    ):
        watch = FaultLog("controller that floods, 10,000 messages a second", lambda: stage.log)
        wait_until(lambda: len(names(stage)) == 2)
        stage.hears(keys)
        stage.hears(loose)
        stage.plays(keys, 72)
        before = stage.status()
        loose.flood(FLOOD, 10_000)
        wait_until(lambda: stage.status()["messages"] == before["messages"] + FLOOD)
        # Every twentieth was a note struck, and ten later it was released: each one stands in an
        # account, and none hangs, even where a busy machine had no time for all of them.
        struck = before["notes"]["received"] + FLOOD // 20
        wait_until(lambda: stage.status()["notes"]["received"] == struck)
        assert sum(accounts(stage).values()) == struck
        wait_until(lambda: accounts(stage)["sounding"] <= 1)
        # Each was released before it was struck again: no release was lost on the way.
        same = {"retriggered": 0, "queue overflow": 0}
        assert {
            name: accounts(stage)[name] - before["notes"]["accounts"][name] for name in same
        } == same
        stage.plays(keys, 76)
        watch.wait_for_all()


def test_knob_positions_sent_on_plugging_in_are_taken_and_strike_nothing(
    stage: Daemon, keys: VirtualController
) -> None:
    watch = FaultLog("controller that reports all its knobs when plugged in", lambda: stage.log)
    stage.plays(keys, 60)
    received = stage.status()["notes"]["received"]
    with VirtualController("Chatty Knobs") as chatty:
        wait_until(lambda: len(names(stage)) == 2)
        watch.wait_for_all()
        stage.hears(chatty)
        for number in [*range(120), *range(120)]:
            chatty.send(0xB0, number, 0 if number in (7, 39, 64, 66) else 64)
        assert stage.status()["notes"]["received"] == received
        before = accounts(stage)["inaudible at volume 0"]
        # The volume knob stood at the bottom: so it is, on that controller alone.
        stage.plays(chatty, 60)
        chatty.pull()
        wait_until(lambda: accounts(stage)["inaudible at volume 0"] == before + 1)
        stage.plays(keys, 64)
