"""The chord that switches the board off, and the battery that has run down."""

from pathlib import Path
from typing import Literal

import pytest

from config.settings import Power, Settings
from daemon.keeper.power_off import FAREWELL_US, HOLD_US, LOW_US, PowerOff, ask_for_power_off
from daemon.linux.battery import Charge

TICK_US = 250_000
CHORD = {36, 38}


def armed() -> PowerOff:
    power = PowerOff()
    power.settings = Power(off_keys=sorted(CHORD))
    return power


def test_the_chord_counts_when_it_alone_is_held_for_five_seconds() -> None:
    power = PowerOff()
    assert not any(power.step(CHORD, (), us) for us in range(0, 2 * HOLD_US, TICK_US))
    power.settings = Power(off_keys=sorted(CHORD))
    steps = [power.step(CHORD, (), us) for us in range(0, 3 * HOLD_US, TICK_US)]
    begun = HOLD_US // TICK_US
    assert steps.index("farewell") == begun
    assert steps.index("power") == begun + FAREWELL_US // TICK_US
    assert sum(step is not None for step in steps) == 2
    # A key more, or a key less for a moment, is music.
    for down in ({36, 38, 40}, {36}, set()):
        assert not power.step(down, (), 4 * HOLD_US)
        assert not power.step(CHORD, (), 5 * HOLD_US)
        assert not power.step(CHORD, (), 6 * HOLD_US - 1)


@pytest.mark.parametrize("down", [{36}, {36, 38, 40}, {36, 40}])
def test_other_keys_however_long_they_are_held_do_nothing(down: set[int]) -> None:
    power = armed()
    assert not any(power.step(down, (), us) for us in range(0, 3 * HOLD_US, TICK_US))
    assert not power.begun


def test_the_wish_is_a_file_for_the_system_and_where_none_can_be_a_line_in_the_log(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    ask_for_power_off(tmp_path)
    assert (tmp_path / "poweroff").exists()
    assert caplog.messages == []
    ask_for_power_off(tmp_path / "nowhere")
    assert len(caplog.messages) == 1
    assert caplog.messages[0].startswith("the board can't be switched off: ")


def test_keys_played_during_the_farewell_do_not_keep_the_power() -> None:
    power = armed()
    assert power.step(CHORD, (), 0) is None
    assert power.step(CHORD, (), HOLD_US) == "farewell"
    assert power.begun
    for us in range(TICK_US, FAREWELL_US, TICK_US):
        down = CHORD if us % (2 * TICK_US) else set()
        assert power.step(down, (), HOLD_US + us) is None
    assert power.step(set(), (), HOLD_US + FAREWELL_US) == "power"


def test_a_board_that_stays_on_can_be_asked_again() -> None:
    power = armed()
    for start in (0, 20_000_000):
        power.step(set(), (), start)
        steps = [power.step(CHORD, (), start + us) for us in range(0, 3 * HOLD_US, TICK_US)]
        assert [step for step in steps if step] == ["farewell", "power"]


def test_a_chord_of_one_key_is_refused() -> None:
    with pytest.raises(ValueError, match="at least two different keys"):
        Settings.model_validate({"power": {"off_keys": [36]}})


SECOND_US = 1_000_000


def told(percents: list[int], flow: Literal["in", "out", ""] = "out", level: int = 10) -> list[str]:
    """Return what comes of a battery that says these, one a second, without what is nothing."""
    power = PowerOff()
    power.settings = Power(off_at_percent=level)
    steps = [
        power.step((), [Charge(percent, flow)], second * SECOND_US)
        for second, percent in enumerate(percents)
    ]
    return [f"{second} {step}" for second, step in enumerate(steps) if step]


def test_a_battery_low_for_a_minute_switches_off_after_a_warning_and_a_farewell(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level("INFO")
    minute, farewell = LOW_US // SECOND_US, FAREWELL_US // SECOND_US
    assert told([12, 11, *[10] * 200]) == [
        "2 soon",
        f"{2 + minute} farewell",
        f"{2 + minute + farewell} power",
    ]
    assert caplog.messages == [
        "the battery is at 10 %: switching off in 60 s, unless it is charged",
        "switching off: the battery has run down to 10 %",
    ]


def test_one_reading_however_low_switches_nothing_off(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")
    sagging = [40, 0, 40, *[9] * 50, 11, *[9] * 50, 40]
    assert [step.split()[1] for step in told(sagging)] == ["soon"] * 3
    assert caplog.messages[1] == (
        "not switching off: the battery is charged, or says that it is not so low"
    )


@pytest.mark.parametrize("flow", ["in", ""])
def test_a_battery_that_is_not_known_to_be_emptied_switches_nothing_off(
    flow: Literal["in", ""],
) -> None:
    assert told([3] * 300, flow) == []


def test_the_battery_switches_nothing_off_unless_the_settings_say_so() -> None:
    assert Settings().power.off_at_percent == 0
    assert told([0] * 300, level=0) == []


def test_a_charger_plugged_in_within_the_minute_keeps_it_on() -> None:
    power = PowerOff()
    power.settings = Power(off_at_percent=10)
    steps = [power.step((), [Charge(9, "out")], us) for us in (0, LOW_US - 1)]
    steps += [power.step((), [Charge(9, "in")], us) for us in range(LOW_US, 4 * LOW_US, LOW_US)]
    assert steps == ["soon", None, None, None, None]


def test_with_two_batteries_the_board_runs_until_the_fuller_one_is_low() -> None:
    power = PowerOff()
    power.settings = Power(off_at_percent=10)
    for us in range(0, 3 * LOW_US, SECOND_US):
        assert power.step((), [Charge(2, "out"), Charge(80, "")], us) is None
    assert power.step((), [Charge(2, "out"), Charge(10, "")], 3 * LOW_US) == "soon"


@pytest.mark.parametrize("percent", [-1, 51, 100])
def test_a_level_that_would_switch_off_a_good_battery_is_refused(percent: int) -> None:
    with pytest.raises(ValueError, match="off_at_percent"):
        Settings.model_validate({"power": {"off_at_percent": percent}})
