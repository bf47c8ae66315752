"""The board's health from a folder that stands for sysfs."""

import itertools
from pathlib import Path

import pytest

from daemon.linux.board_health import READ_US, BoardHealth, read
from tests.support.sysfs_tree import put, put_clock

MINUTE = 60_000_000
clock_us = itertools.count(0, READ_US)


def looks(health: BoardHealth, times: int = 1) -> None:
    for _ in range(times):
        health.tick(next(clock_us))


def test_a_board_that_says_nothing_is_no_fault(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    health = BoardHealth(tmp_path)
    looks(health, 3)
    assert caplog.messages == []
    plain = health.as_plain()
    assert plain.pop("warnings") == []
    assert set(plain.values()) == {None}


def test_empty_and_unreadable_files_are_not_known(tmp_path: Path) -> None:
    put(tmp_path, thermal__thermal_zone0__temp="", hwmon__hwmon0__in0_lcrit_alarm="fog")
    (tmp_path / "class/thermal/thermal_zone1/temp").mkdir(parents=True)  # reading it gives EISDIR
    assert read(tmp_path).temperature_c is None
    assert read(tmp_path).undervoltage is None


def test_heat_is_reported_once_with_its_remedy_and_once_when_it_is_over(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    health = BoardHealth(tmp_path)
    for milli in (61_000, 85_000, 86_000, 79_000, 81_000, 74_000, 61_000):
        put(tmp_path, thermal__thermal_zone0__temp=milli)
        looks(health, 2)
    assert [(record.levelname, record.message) for record in caplog.records] == [
        (
            "WARNING",
            "the board is hot: 85 °C; from 80 °C on it is throttled: keep it out of the sun, give "
            "it air, add a heat sink",
        ),
        ("INFO", "board temperature OK"),
    ]


def test_the_kernels_own_limit_counts(tmp_path: Path) -> None:
    put(
        tmp_path,
        thermal__thermal_zone0__temp=71_000,
        thermal__thermal_zone0__trip_point_0_type="critical",
        thermal__thermal_zone0__trip_point_0_temp=110_000,
        thermal__thermal_zone0__trip_point_1_type="passive",
        thermal__thermal_zone0__trip_point_1_temp=70_000,
    )
    health = BoardHealth(tmp_path)
    looks(health)
    assert "from 70 °C on" in health.warnings["heat"]


def test_the_hottest_zone_speaks(tmp_path: Path) -> None:
    put(tmp_path, thermal__thermal_zone0__temp=45_500, thermal__thermal_zone1__temp=52_300)
    assert read(tmp_path).temperature_c == pytest.approx(52.3)


@pytest.mark.parametrize(
    ("now", "allowed", "governor", "slowed"),
    [
        (1_800_000, 1_800_000, "performance", False),
        (600_000, 1_800_000, "ondemand", False),  # idle
        (600_000, 1_800_000, "performance", True),  # the firmware holds it back
        (600_000, 1_000_000, "ondemand", True),  # the kernel holds it back
    ],
)
def test_a_low_clock_is_a_warning_unless_it_is_idle(
    tmp_path: Path, now: int, allowed: int, governor: str, slowed: bool
) -> None:
    put_clock(tmp_path, now, allowed, 1_800_000, governor)
    assert read(tmp_path).slowed is slowed


def test_a_cooling_device_at_work_is_a_warning(tmp_path: Path) -> None:
    put(
        tmp_path,
        thermal__cooling_device0__type="cpufreq-cpu0",
        thermal__cooling_device0__cur_state=2,
    )
    assert read(tmp_path).slowed is True


def test_a_fan_that_turns_is_none(tmp_path: Path) -> None:
    put(
        tmp_path,
        thermal__cooling_device0__type="pwm-fan",
        thermal__cooling_device0__cur_state=3,
    )
    assert not read(tmp_path).slowed


def test_a_supply_too_weak_is_reported_at_every_change(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    health = BoardHealth(tmp_path)
    for alarm in (0, 1, 1, 0, 1):
        put(tmp_path, hwmon__hwmon3__name="supply_volt", hwmon__hwmon3__in0_lcrit_alarm=alarm)
        looks(health)
    low = "the supply voltage is too low: use a shorter or thicker cable, a stronger supply, fewer"
    assert [message[: len(low)] for message in caplog.messages] == [
        low,
        "supply OK",
        low,
    ]
    assert health.as_plain()["undervoltage"] is True


def test_an_empty_battery_is_reported_while_it_discharges(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    health = BoardHealth(tmp_path)
    put(tmp_path, power_supply__pack__type="Battery", power_supply__pack__status="Discharging")
    for percent in (40, 15, 16, 14):
        put(tmp_path, power_supply__pack__capacity=percent)
        looks(health)
    put(tmp_path, power_supply__pack__status="Charging")
    looks(health)
    assert caplog.messages == ["the battery is at 15 %: charge or change it"]
    assert health.warnings == {}


def test_a_look_is_taken_every_two_seconds_and_reports_what_is_new(tmp_path: Path) -> None:
    health = BoardHealth(tmp_path)
    assert not health.tick(MINUTE)
    put(tmp_path, thermal__thermal_zone0__temp=90_000)
    assert not health.tick(MINUTE + READ_US - 1)
    assert health.tick(MINUTE + READ_US)
    assert not health.tick(MINUTE + 2 * READ_US)
