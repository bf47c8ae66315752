"""The battery's charge over the hours, in lines of text."""

from typing import Any

import pytest

from daemon.diagnosis.battery_chart import battery_chart


def points(*moments: tuple[float, int], charging: bool = False) -> list[dict[str, Any]]:
    return [
        {"since_power_on_s": hours * 3600, "percent": percent, "charging": charging}
        for hours, percent in moments
    ]


def test_the_chart_has_a_row_every_so_often_and_the_charge_in_between() -> None:
    assert battery_chart(points((0.0, 100), (1.0, 80), (2.0, 50), (2.25, 48))) == [
        "battery, by hours since power-on: 100 % at 0:00, 48 % at 2:15",
        "  0:00  ######################################## 100 %",
        "  0:10  #######################################   97 %",
        "  0:20  #####################################     93 %",
        "  0:30  ####################################      90 %",
        "  0:40  ###################################       87 %",
        "  0:50  #################################         83 %",
        "  1:00  ################################          80 %",
        "  1:10  ##############################            75 %",
        "  1:20  ############################              70 %",
        "  1:30  ##########################                65 %",
        "  1:40  ########################                  60 %",
        "  1:50  ######################                    55 %",
        "  2:00  ####################                      50 %",
        "  2:15  ###################                       48 %",
    ]


def test_charging_is_marked() -> None:
    story = points((0.0, 20)) + points((1.0, 16), charging=True) + points((2.0, 50))
    marked = [line for line in battery_chart(story) if line.endswith("charging")]
    assert len(marked) == 6
    assert marked[0].split()[0] == "1:00"


@pytest.mark.parametrize("story", [[], points((0.5, 70))])
def test_without_a_course_there_is_no_chart(story: list[dict[str, Any]]) -> None:
    assert battery_chart(story) == []


@pytest.mark.parametrize("hours", [0.02, 0.3, 1.7, 5.0, 11.9, 30.0, 300.0, 5000.0])
def test_however_long_it_lasted_the_chart_is_small(hours: float) -> None:
    lines = battery_chart(points((0.0, 100), (hours, 3)))
    assert len(lines) <= 18
    assert max(map(len, lines)) <= 72
