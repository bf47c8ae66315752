import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.linux.sd_notify import SystemdNotifier
from tests.support.service_manager import Manager


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    with Manager(str(tmp_path / "notify")) as bound:
        yield bound


Make = Callable[..., SystemdNotifier]


@pytest.fixture
def notifier(manager: Manager) -> Iterator[Make]:
    made = []

    def make(**environment: str) -> SystemdNotifier:
        made.append(SystemdNotifier({"NOTIFY_SOCKET": manager.address} | environment))
        return made[-1]

    yield make
    for each in made:
        each.close()


def test_the_manager_hears_the_states_of_sd_notify_3(manager: Manager, notifier: Make) -> None:
    ours = notifier(WATCHDOG_USEC="200000", WATCHDOG_PID=str(os.getpid()))
    ours.ready()
    ours.status("playing\n'Cargo Bike Keys 25'")
    ours.reloading(123)
    ours.watchdog()
    ours.stopping()
    assert manager.told() == [
        "READY=1",
        "STATUS=playing 'Cargo Bike Keys 25'",
        "RELOADING=1\nMONOTONIC_USEC=123",
        "WATCHDOG=1",
        "STOPPING=1",
    ]


def test_the_same_status_is_reported_once(manager: Manager, notifier: Make) -> None:
    ours = notifier()
    for text in ("silent", "silent", "playing", "silent"):
        ours.status(text)
    assert manager.told() == ["STATUS=silent", "STATUS=playing", "STATUS=silent"]


def test_a_ping_is_due_after_half_of_what_the_manager_waits(notifier: Make) -> None:
    assert notifier(WATCHDOG_USEC="200000").watchdog_s == pytest.approx(0.1)


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"WATCHDOG_USEC": "200000", "WATCHDOG_PID": "1"},
        {"WATCHDOG_USEC": "soon"},
        {"WATCHDOG_USEC": "0"},
    ],
)
def test_without_a_watchdog_of_ours_nothing_is_pinged(
    manager: Manager, notifier: Make, environment: dict[str, str]
) -> None:
    ours = notifier(**environment)
    ours.watchdog()
    assert ours.watchdog_s is None
    assert manager.told() == []


def test_an_abstract_address_is_understood(notifier: Make) -> None:
    with Manager(f"@partiald-test-{os.getpid()}") as manager:
        notifier(NOTIFY_SOCKET=manager.address).ready()
        assert manager.told() == ["READY=1"]


@pytest.mark.parametrize("address", ["", "/nowhere/at/all", "vsock:1:2"])
def test_a_manager_that_is_not_there_does_no_harm(notifier: Make, address: str) -> None:
    ours = notifier(NOTIFY_SOCKET=address)
    ours.ready()
    ours.close()
    ours.ready()


def test_a_manager_that_does_not_read_is_not_waited_for(manager: Manager, notifier: Make) -> None:
    ours = notifier()
    for number in range(10_000):
        ours.status(str(number))
    assert len(manager.told()) < 10_000


def test_what_a_full_queue_had_no_room_for_is_sent_later_in_order(
    manager: Manager, notifier: Make
) -> None:
    ours = notifier(WATCHDOG_USEC="200000")
    for number in range(10_000):
        ours.status(str(number))
    ours.reloading(1)
    ours.ready()
    ours.watchdog()
    ours.reloading(2)
    ours.ready()
    heard = manager.told()
    assert "READY=1" not in heard
    ours.status("9999")  # as in every round of the loop, though it is no news
    fresh = manager.told()[len(heard) :]
    assert fresh == ["STATUS=9999", "RELOADING=1\nMONOTONIC_USEC=2", "READY=1"]
    ours.watchdog()
    assert manager.told()[-1] == "WATCHDOG=1"
