"""The one list of all checks is whole, and its runner goes on to the end."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.command import ROOT

LIST = (ROOT / ".ci" / "checks").read_text("utf-8")
MAKEFILE = (ROOT / "Makefile").read_text("utf-8")
NO_CHECKS = {"help", "quick", "check", "format", "clean", "all-checks", "deb", "stick"}
NO_CHECKS |= {"pictures", "manuals"}
"""The others: `check` is three that are listed, `quick` a part of one; packages are made by those
that install them; tests look at pictures and manuals."""


def made(*words: object) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        [sys.executable, ROOT / "tests" / "all_checks.py", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_every_target_that_checks_something_is_in_the_list() -> None:
    targets = set(re.findall(r"^([a-z][\w-]*):", MAKEFILE, re.MULTILINE))
    listed = set(re.findall(r"(?:make |\.ci/)([\w-]+)", LIST.split("\n", 1)[1]))
    assert targets - NO_CHECKS == listed


def test_every_measurement_on_a_board_is_made_by_a_target() -> None:
    script = (ROOT / "tests/boot/run").read_text("utf-8")
    usage = re.search(r'^usage=".* ([\w|]+) \[FRAMES\]"', script, re.MULTILINE)
    assert usage is not None
    measured = MAKEFILE + (ROOT / "tests/boot/bench-arm").read_text("utf-8")
    for word in set(usage[1].split("|")) - {"lines"}:  # that one explains a figure
        assert re.search(rf"\b{word}\b", measured), word


@pytest.mark.gig
def test_a_check_that_fails_keeps_no_other_from_running(tmp_path: Path) -> None:
    checks = tmp_path / "checks"
    checks.write_text("# three\nfirst   echo fine\nsecond  echo no bellows; exit 3\nthird   true\n")
    done = made(checks, tmp_path / "logs")
    assert done.returncode == 1
    report = done.stdout.split("\n\n", 1)[1]
    assert "no bellows" in report
    assert re.findall(r"^(\w+) +(passed|FAILED) +\d+ s$", report, re.MULTILINE) == [
        ("first", "passed"),
        ("second", "FAILED"),
        ("third", "passed"),
    ]
    assert "2 passed, 1 failed, 0 not run" in report
    assert (tmp_path / "logs" / "first.log").read_text() == "fine\n"
    assert made(checks, tmp_path / "logs", "third").returncode == 0


@pytest.mark.gig
def test_a_name_that_is_not_in_the_list_is_one_line(tmp_path: Path) -> None:
    checks = tmp_path / "checks"
    checks.write_text("bellows true\n")
    done = made(checks, tmp_path / "logs", "bellow")
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == "no check named bellow; there are: bellows\n"
