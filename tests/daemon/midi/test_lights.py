"""Lights on the controllers: what is sent to them, and how seldom."""

from typing import Any

import pytest

from config.bindings import Light
from daemon.ipc.counters import Snapshot
from daemon.midi.lights import LINGER_US, MOST_A_TICK, Lights
from tests.support.virtual_daemon import KEYS, VirtualDaemon
from voices.notes.note_count import ACCOUNTS

TICK_US = 250_000


class Desk:
    """Lights, and what was sent."""

    def __init__(self, *lights: dict[str, Any]) -> None:
        self.sent: list[tuple[int, bytes]] = []
        self.octaves: dict[int, int] = {}
        self.zones_off: list[int] = []
        self.lights = Lights(
            lambda controller, message: self.sent.append((controller, message)),
            lambda: (self.octaves, self.zones_off),
        )
        self.lights.use([Light.model_validate(each) for each in lights])
        self.now_us = 0

    def tick(
        self, *, ready: bool = True, controllers: tuple[int, ...] = (0,), **counts: Any
    ) -> list[bytes]:
        accounts = dict.fromkeys(ACCOUNTS, 0) | {"stolen": counts.pop("stolen", 0)}
        running = Snapshot(accounts=accounts, **counts) if ready else None
        self.lights.tick(ready, running, controllers, self.now_us)
        self.now_us += TICK_US
        sent, self.sent = [message for _, message in self.sent], []
        return sent


def test_without_lights_in_the_settings_nothing_is_sent() -> None:
    desk = Desk()
    desk.octaves[0] = 1
    assert desk.tick(sounding=3, stolen=2) == []


def test_a_light_is_sent_when_it_changes_and_not_again() -> None:
    desk = Desk({"shows": "sounding", "sends": "note 60", "channel": 10, "on": 5, "off": 1})
    assert desk.tick() == [b"\x99\x3c\x01"]
    assert desk.tick(sounding=1) == [b"\x99\x3c\x05"]
    assert desk.tick(sounding=2) == []
    assert desk.tick() == [b"\x99\x3c\x01"]


def test_ready_is_while_there_is_a_card() -> None:
    desk = Desk({"shows": "ready", "sends": "control 20"})
    assert [desk.tick(ready=ready) for ready in (False, True, False)] == [
        [b"\xb0\x14\x00"],
        [b"\xb0\x14\x7f"],
        [b"\xb0\x14\x00"],
    ]


@pytest.mark.parametrize(
    ("shows", "count"), [("stealing", "stolen"), ("overload", "underflows"), ("overload", "faults")]
)
def test_what_is_over_in_a_moment_shows_a_little_longer(shows: str, count: str) -> None:
    desk = Desk({"shows": shows, "sends": "note 1"})
    counts: list[dict[str, Any]] = [{count: number} for number in (0, 1, 1, 1, 1)]
    seen = [desk.tick(**each) for each in counts]
    assert seen[:2] == [[b"\x90\x01\x00"], [b"\x90\x01\x7f"]]
    assert seen[1 + LINGER_US // TICK_US] == [b"\x90\x01\x00"]
    assert sum(map(len, seen)) == 3


def test_left_out_partials_are_an_overload_as_long_as_they_last() -> None:
    desk = Desk({"shows": "overload", "sends": "note 1"})
    assert desk.tick(most_partials=40) == [b"\x90\x01\x7f"]
    assert desk.tick(most_partials=40) == []
    assert desk.tick() == [b"\x90\x01\x00"]


def test_octave_and_zone_show_what_gestures_have_done() -> None:
    desk = Desk(
        {"shows": "octave", "sends": "note 1", "which": 1},
        {"shows": "octave", "sends": "note 2"},
        {"shows": "zone", "sends": "note 3", "which": 2},
    )
    assert desk.tick() == [b"\x90\x01\x00", b"\x90\x02\x00", b"\x90\x03\x7f"]
    desk.octaves[0], desk.zones_off = 1, [2]
    assert desk.tick() == [b"\x90\x01\x7f", b"\x90\x02\x7f", b"\x90\x03\x00"]
    desk.octaves[0], desk.zones_off = -2, []
    assert desk.tick() == [b"\x90\x01\x00", b"\x90\x03\x7f"]


def test_a_controller_that_comes_is_told_everything_and_few_lights_at_a_time() -> None:
    desk = Desk(*({"shows": "ready", "sends": f"note {n}"} for n in range(10)))
    assert [len(desk.tick()) for _ in range(3)] == [MOST_A_TICK, 2, 0]
    assert len(desk.tick(controllers=())) == 0
    assert len(desk.tick(controllers=(1,))) == MOST_A_TICK


def test_lights_that_are_left_out_of_the_settings_go_off() -> None:
    desk = Desk({"shows": "ready", "sends": "note 60"})
    desk.tick()
    desk.lights.use([])
    assert desk.sent == [(0, b"\x90\x3c\x00")]


def test_the_daemon_lights_a_controller_and_leaves_it_dark() -> None:
    daemon = VirtualDaemon()
    daemon.files.edit(
        lights=[
            {"shows": "sounding", "sends": "note 60"},
            {"shows": "octave", "sends": "control 20", "which": 1},
        ],
        gestures={"held": "key 36", "keys": {"38": "octave up"}},
    )
    daemon.keeper.start()
    daemon.run(0.1)
    daemon.ports.plug(KEYS)
    daemon.run(1.0)
    daemon.play(36, 38)
    daemon.hear(b"\x80\x24\x40")
    daemon.play(60)
    daemon.run(0.6)
    lit = [message for _, message in daemon.ports.replies]
    assert lit[:2] == [b"\x90\x3c\x00", b"\xb0\x14\x00"]
    assert sorted(lit[2:]) == [b"\x90\x3c\x7f", b"\xb0\x14\x7f"]
    daemon.keeper.stop()
    dark = [message for _, message in daemon.ports.replies][len(lit) :]
    assert sorted(dark) == [b"\x90\x3c\x00", b"\xb0\x14\x00"]
