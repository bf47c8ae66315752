"""The board's batteries from a folder that stands for sysfs, and their charge over the hours.

Source: the kernel's ABI page sysfs-class-power. ``type``: "Battery", "UPS", "Mains", "USB",
"Wireless"; ``status``: "Unknown", "Charging", "Discharging", "Not charging", "Full"; ``capacity``:
0 to 100; ``present`` and ``online``: 0 is absent, and offline. ``scope``: its header
linux/power_supply.h.
"""

from pathlib import Path

import pytest

from daemon.linux.battery import BatteryCourse, Charge, charges, runs_down_to
from tests.support.sysfs_tree import put

MINUTE_US = 60_000_000


def pack(root: Path, **files: object) -> None:
    put(root, **{f"power_supply__pack__{name}": value for name, value in files.items()})


@pytest.mark.parametrize(
    ("status", "flow"),
    [
        ("Discharging", "out"),
        ("Charging", "in"),
        ("Full", "in"),
        ("Not charging", ""),
        ("Unknown", ""),
        ("", ""),
    ],
)
def test_each_status_of_the_kernel_has_its_meaning(tmp_path: Path, status: str, flow: str) -> None:
    pack(tmp_path, type="Battery", status=status, capacity=37)
    assert [(each.percent, each.flow) for each in charges(tmp_path)] == [(37, flow)]


@pytest.mark.parametrize(("online", "flow"), [(0, "out"), (1, ""), (2, ""), ("", "")])
def test_a_gauge_that_knows_no_charger_is_emptied_only_where_that_is_known_to_be_unplugged(
    tmp_path: Path, online: object, flow: str
) -> None:
    pack(tmp_path, type="Battery", status="Unknown", capacity=37)
    put(tmp_path, power_supply__plug__type="USB", power_supply__plug__online=online)
    assert [each.flow for each in charges(tmp_path)] == [flow]


@pytest.mark.parametrize("capacity", ["", "fog", "-1", "101", "37.5"])
def test_a_charge_that_makes_no_sense_is_not_known_and_never_empty(
    tmp_path: Path, capacity: str
) -> None:
    pack(tmp_path, type="Battery", status="Discharging", capacity=capacity)
    assert charges(tmp_path) == []


def test_a_mouse_an_empty_slot_and_a_charger_are_no_batteries_of_the_board(tmp_path: Path) -> None:
    low: dict[str, object] = {"status": "Discharging", "capacity": 1}
    kinds: tuple[dict[str, object], ...] = (
        {"type": "Battery", "scope": "Device"},
        {"type": "Battery", "present": 0},
        {"type": "Mains"},
        {"type": "UPS"},
    )
    for number, kind in enumerate(kinds):
        files = {f"power_supply__p{number}__{name}": each for name, each in (kind | low).items()}
        put(tmp_path, **files)
    assert charges(tmp_path) == []
    pack(tmp_path, type="Battery", present=1, scope="System", **low)
    assert charges(tmp_path) == [Charge(1, "out")]


def test_it_has_run_down_only_if_every_battery_has_and_none_is_charged() -> None:
    assert runs_down_to(10, [Charge(10, "out")])
    assert runs_down_to(10, [Charge(3, "out"), Charge(10, "")])
    assert not runs_down_to(10, [])
    assert not runs_down_to(10, [Charge(11, "out")])
    assert not runs_down_to(10, [Charge(3, "out"), Charge(50, "")])
    assert not runs_down_to(10, [Charge(3, "out"), Charge(3, "in")])


def test_the_charge_is_remembered_in_few_points_even_if_it_jumps() -> None:
    course = BatteryCourse()
    for minute in range(500):
        course.look([Charge(100 - minute // 5, "out")], minute * MINUTE_US)
    assert [each.percent for each in course.points] == list(range(100, 0, -4))
    assert course.take_unsaved() == course.points
    assert not course.unsaved
    jumping = BatteryCourse()
    for second in range(3600):
        jumping.look([Charge(90 if second % 2 else 10, "out")], second * 1_000_000)
    assert len(jumping.points) <= 13


def test_the_hours_left_follow_from_the_pace_once_there_is_one() -> None:
    course = BatteryCourse()
    assert course.left_h() is None
    for minute in range(61):
        course.look([Charge(90 - minute // 3, "out")], minute * MINUTE_US)
        if minute < 10:
            assert course.left_h() is None
    # 20 per cent in an hour: the other 70 take 3.5.
    assert course.left_h() == pytest.approx(3.5)
    course.look([Charge(70, "in")], 61 * MINUTE_US)
    assert course.left_h() is None
    course.look([], 62 * MINUTE_US)
    assert course.left_h() is None
