import logging

import pytest

from daemon.diagnosis.rate_limit import LoadShedReport, MissedReport, Repeats
from daemon.ipc.counters import Snapshot

SECOND = 1_000_000


def snapshot(underflows: int = 0, late: int = 0) -> Snapshot:
    return Snapshot(*(1, underflows, late), sample_rate=48_000, block_frames=256, max_us=7900)


def test_a_burst_is_one_line_and_what_lasts_is_reported_ever_more_rarely(
    caplog: pytest.LogCaptureFixture,
) -> None:
    missed = MissedReport()
    for second in range(3 * 3600):
        # Two underflows a second, all evening.
        missed.look(snapshot(2 * second), 0, second * SECOND)
    assert caplog.messages[:3] == [
        "4 underflows in the last 1 s (256-frame blocks, longest 7.9 ms of 5.3 ms)",
        "120 underflows in the last 59 s (256-frame blocks, longest 7.9 ms of 5.3 ms)",
        "240 underflows in the last 119 s (256-frame blocks, longest 7.9 ms of 5.3 ms)",
    ]
    assert len(caplog.messages) < 20
    missed.flush(3 * 3600 * SECOND)
    counted = sum(int(line.split()[0].replace(",", "")) for line in caplog.messages)
    assert counted == 2 * (3 * 3600 - 1)


def test_nothing_wrong_is_no_line(caplog: pytest.LogCaptureFixture) -> None:
    missed = MissedReport()
    for second in range(200):
        missed.look(snapshot(), 0, second * SECOND)
    missed.flush(200 * SECOND)
    assert caplog.messages == []


def test_a_new_players_counts_start_at_nothing(caplog: pytest.LogCaptureFixture) -> None:
    missed = MissedReport()
    missed.look(snapshot(5, late=1), 3, 0)
    missed.look(snapshot(2), 3, SECOND)
    assert caplog.messages[0].startswith(
        "7 underflows, 1 message too late for its frame, 3 messages lost in a full queue in the"
    )


def test_a_repeated_line_is_summed(caplog: pytest.LogCaptureFixture) -> None:
    repeats = Repeats(logging.getLogger("daemon.keeper.supervisor"))
    for second in range(0, 185):
        repeats.log(logging.WARNING, "the card is busy", second * SECOND)
    assert caplog.messages == [
        "the card is busy",
        "the card is busy (60 times in the last 60 s)",
        "the card is busy (120 times in the last 120 s)",
    ]


def test_a_line_that_was_quiet_for_a_minute_is_reported_again(
    caplog: pytest.LogCaptureFixture,
) -> None:
    repeats = Repeats(logging.getLogger("daemon.keeper.supervisor"))
    repeats.log(logging.WARNING, "the card is busy", 0)
    repeats.log(logging.WARNING, "the card is busy", 61 * SECOND)
    assert caplog.messages == ["the card is busy"] * 2


def test_what_was_counted_is_reported_though_it_never_comes_again(
    caplog: pytest.LogCaptureFixture,
) -> None:
    repeats = Repeats(logging.getLogger("daemon.keeper.supervisor"))
    for number in range(40):
        repeats.log(logging.WARNING, "the card is busy", number * SECOND)
    for second in range(40, 200):
        repeats.tick(second * SECOND)
    assert caplog.messages == ["the card is busy", "the card is busy (39 times in the last 60 s)"]


def test_what_is_left_at_the_end_is_reported(caplog: pytest.LogCaptureFixture) -> None:
    repeats = Repeats(logging.getLogger("daemon.keeper.supervisor"))
    for second in (0, 1):
        repeats.log(logging.WARNING, "the card is busy", second * SECOND)
    repeats.flush(2 * SECOND)
    repeats.flush(3 * SECOND)
    assert caplog.messages == ["the card is busy", "the card is busy (1 time in the last 2 s)"]


def test_a_day_of_different_lines_leaves_nothing_behind() -> None:
    repeats = Repeats(logging.getLogger("daemon.keeper.supervisor"))
    for minute in range(24 * 60):
        for _ in range(2):
            repeats.log(logging.DEBUG, f"gone for {minute} min", minute * 60 * SECOND)
    repeats.tick((24 * 60 + 20) * 60 * SECOND)
    repeats.tick((24 * 60 + 40) * 60 * SECOND)
    assert not vars(repeats)["_lines"]


def test_the_governors_first_step_is_reported_with_figures_and_others_are_summed(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.INFO)
    shed, wanted = LoadShedReport(), []

    def look(at_s: float, steps: int, most: int, percent: int = 90) -> None:
        figures = Snapshot(spare_steps=steps, most_partials=most, spare_percent=percent)
        shed.look(figures, round(at_s * 1e6))

    look(0.0, 0, 0)
    assert not caplog.messages
    look(1.0, 1, 400)
    wanted.append(
        "a block took 90 % of its time: at most 400 partials sound now, the quietest are left out"
        " (1 step); fewer voices or longer blocks would keep them"
    )
    for tick in range(40):  # a struggling machine writes no line a step
        look(1.25 + tick / 4, 2 + tick, 400 - tick)
    assert caplog.messages == wanted
    look(15.0, 43, 200, 300)
    wanted.append(
        "a block took 300 % of its time: at most 200 partials sound now, the quietest are left out"
        " (42 steps); fewer voices or longer blocks would keep them"
    )
    look(16.0, 44, 180)
    look(76.0, 44, 180)
    wanted.append(
        "a block took 90 % of its time: at most 180 partials sound now, the quietest are left out"
        " (1 step); fewer voices or longer blocks would keep them"
    )
    look(80.0, 44, 0)
    wanted.append("enough time again: all partials sound")
    look(90.0, 45, 300)
    wanted.append(wanted[0].replace("400", "300"))
    assert caplog.messages == wanted


def test_a_new_player_that_leaves_nothing_out_is_not_reported_as_if_it_did(
    caplog: pytest.LogCaptureFixture,
) -> None:
    shed = LoadShedReport()
    for at_s, steps, most, percent in ((0, 1, 400, 90), (1, 2, 390, 90), (70, 0, 0, 0)):
        figures = Snapshot(spare_steps=steps, most_partials=most, spare_percent=percent)
        shed.look(figures, at_s * SECOND)
    assert len(caplog.messages) == 1
    figures = Snapshot(spare_steps=1, most_partials=300, spare_percent=95)
    shed.look(figures, 80 * SECOND)
    assert caplog.messages[1].startswith("a block took 95 % of its time: at most 300 partials")
    assert "(2 steps)" in caplog.messages[1]
