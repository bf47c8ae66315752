import logging

import pytest

from daemon.diagnosis.rate_limit import LoadShedReport, Repeats, Troubles
from daemon.ipc.counters import Snapshot

SECOND = 1_000_000


def snapshot(underflows: int = 0, late: int = 0) -> Snapshot:
    return Snapshot(*(1, underflows, late), sample_rate=48_000, block_frames=256, max_us=7900)


def test_a_burst_is_one_line_and_what_lasts_is_told_ever_more_rarely(
    caplog: pytest.LogCaptureFixture,
) -> None:
    troubles = Troubles()
    for second in range(3 * 3600):
        # Two underflows a second, all evening.
        troubles.look(snapshot(2 * second), 0, second * SECOND)
    assert caplog.messages[:3] == [
        "4 underflows in the last 1 s (256-frame blocks, longest 7.9 ms of 5.3 ms)",
        "120 underflows in the last 59 s (256-frame blocks, longest 7.9 ms of 5.3 ms)",
        "240 underflows in the last 119 s (256-frame blocks, longest 7.9 ms of 5.3 ms)",
    ]
    assert len(caplog.messages) < 20
    troubles.flush(3 * 3600 * SECOND)
    counted = sum(int(line.split()[0].replace(",", "")) for line in caplog.messages)
    assert counted == 2 * (3 * 3600 - 1)


def test_nothing_wrong_is_no_line(caplog: pytest.LogCaptureFixture) -> None:
    troubles = Troubles()
    for second in range(200):
        troubles.look(snapshot(), 0, second * SECOND)
    troubles.flush(200 * SECOND)
    assert caplog.messages == []


def test_a_new_players_counts_start_at_nothing(caplog: pytest.LogCaptureFixture) -> None:
    troubles = Troubles()
    troubles.look(snapshot(5, late=1), 3, 0)
    troubles.look(snapshot(2), 3, SECOND)
    assert caplog.messages[0].startswith(
        "7 underflows, 1 message too late for its frame, 3 messages lost in a full queue in the"
    )


def test_a_repeated_line_is_summed(caplog: pytest.LogCaptureFixture) -> None:
    repeats = Repeats(logging.getLogger("daemon.keeper.supervisor"))
    for second in range(0, 185):
        repeats.tell(logging.WARNING, "the card is busy", second * SECOND)
    assert caplog.messages == [
        "the card is busy",
        "the card is busy (60 times in the last 60 s)",
        "the card is busy (120 times in the last 120 s)",
    ]


def test_a_line_that_was_quiet_for_a_minute_is_told_anew(
    caplog: pytest.LogCaptureFixture,
) -> None:
    repeats = Repeats(logging.getLogger("daemon.keeper.supervisor"))
    repeats.tell(logging.WARNING, "the card is busy", 0)
    repeats.tell(logging.WARNING, "the card is busy", 61 * SECOND)
    assert caplog.messages == ["the card is busy"] * 2


def test_the_governors_first_step_is_told_with_figures_and_others_are_summed(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    spared, wanted = LoadShedReport(), []

    def look(at_s: float, steps: int, most: int, percent: int = 90) -> None:
        figures = Snapshot(spare_steps=steps, most_partials=most, spare_percent=percent)
        spared.look(figures, round(at_s * 1e6))

    look(0.0, 0, 0)
    assert not caplog.messages
    look(1.0, 1, 400)
    wanted.append(
        "a block took 90 % of its time: at most 400 partials sound now, the quietest are left out"
        " (1 step); fewer voices or longer blocks keep them"
    )
    for tick in range(40):  # a struggling machine writes no line a step
        look(1.25 + tick / 4, 2 + tick, 400 - tick)
    assert caplog.messages == wanted
    look(15.0, 43, 200, 300)
    wanted.append(
        "a block took 300 % of its time: at most 200 partials sound now, the quietest are left out"
        " (42 steps); fewer voices or longer blocks keep them"
    )
    look(16.0, 44, 180)
    look(76.0, 44, 180)
    wanted.append(
        "a block took 90 % of its time: at most 180 partials sound now, the quietest are left out"
        " (1 step); fewer voices or longer blocks keep them"
    )
    look(80.0, 44, 0)
    wanted.append("time enough again: all partials sound")
    look(90.0, 45, 300)
    wanted.append(wanted[0].replace("400", "300"))
    assert caplog.messages == wanted
