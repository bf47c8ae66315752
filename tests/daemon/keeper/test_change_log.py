"""One line for each change, and none for what stays as it is."""

import logging

import pytest

from daemon.ipc.counters import Snapshot
from daemon.ipc.messages import LogLine
from daemon.keeper.change_log import ChangeLog
from daemon.keeper.supervisor import PlayerEnded, PlayerReady
from daemon.midi.controllers import DeviceChange

NAME = "Cargo Bike Keys 25"


def ended(cause: str, text: str, level: str, cut: int = 0) -> PlayerEnded:
    return PlayerEnded(cause, text, level, Snapshot(), cut)  # type: ignore[arg-type]


def test_a_controller_that_cannot_be_opened_is_logged_with_the_reason(
    caplog: pytest.LogCaptureFixture,
) -> None:
    ChangeLog().controller(DeviceChange("refused", NAME, 0, reason="no room"), 0)
    assert caplog.messages == [f"controller refused: '{NAME}': no room"]


def test_a_controller_is_connected_the_first_time_and_reconnected_after_a_loss(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    changes = ChangeLog()
    changes.controller(DeviceChange("found", NAME, 1), 0)
    changes.controller(DeviceChange("lost", NAME, 1), 1_000_000)
    changes.controller(DeviceChange("found", NAME, 1), 3_500_000)
    changes.controller(DeviceChange("found", "Bell Pedals", 2), 3_500_000)
    assert caplog.messages == [
        f"controller connected: '{NAME}' as controller 2",
        f"controller lost: '{NAME}'; looking every 0.25 s",
        f"controller reconnected: '{NAME}' as controller 2, away 2.5 s",
        "controller connected: 'Bell Pedals' as controller 3",
    ]


def test_the_same_refusal_is_logged_again_only_after_something_else(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    changes = ChangeLog()
    none = ended("refused", "no sound card", "warning")
    for _ in range(5):
        changes.player_ended(none, 0)
    changes.player_ready(PlayerReady("output 'box'", None), "16 voices")
    changes.player_ended(none, 0)
    changes.player_ended(ended("lost", "'box' went away", "warning", cut=2), 0)
    changes.player_ended(none, 0)
    assert caplog.messages == [
        "no sound card; looking every 1.0 s",
        "ready: 16 voices",
        "no sound card; looking every 1.0 s",
        "'box' went away; 2 notes cut; looking for a sound card",
        "no sound card; looking every 1.0 s",
    ]


def test_a_line_that_repeats_is_summed_unless_it_is_fresh_and_the_rest_reported_at_the_end(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    changes, line = ChangeLog(), LogLine("settings left as they were", "warning")
    for second in range(4):
        changes.line(line, second * 1_000_000)
    changes.line(line, 4_000_000, fresh=True)
    changes.flush(10_000_000)
    assert caplog.messages == [line.text, line.text, f"{line.text} (3 times in the last 10 s)"]
    assert {record.levelname for record in caplog.records} == {"WARNING"}
