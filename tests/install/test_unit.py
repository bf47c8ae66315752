"""The units, as systemd itself judges them."""

import shutil
import subprocess
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).parents[2] / "systemd"
UNITS = sorted([*SYSTEMD.glob("*.service"), *SYSTEMD.glob("*.path")])
MOST_EXPOSED = 15
"""Tenths; `systemd-analyze security` goes from 0, the safest, to 10."""


def lines(name: str) -> list[str]:
    return (SYSTEMD / name).read_text("utf-8").splitlines()


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The root of an installed board, as far as `systemd-analyze verify` looks."""
    root = tmp_path_factory.mktemp("board")
    units = root / "etc/systemd/system"
    units.mkdir(parents=True)
    for unit in UNITS:
        shutil.copy(unit, units)
    theirs = root / "usr/lib/systemd/system"
    theirs.mkdir(parents=True)
    (root / "lib").symlink_to("usr/lib")
    for name in ("sysinit", "basic", "sound", "multi-user", "paths", "shutdown", "poweroff"):
        (theirs / f"{name}.target").write_text("[Unit]\nDescription=x\n")
    for name in ("usr/bin/partiald", "bin/sh", "bin/rm"):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text("")
        (root / name).chmod(0o755)
    return root


def verified(root: Path, *units: str) -> tuple[int, str]:
    said = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", f"--root={root}", *units],
        capture_output=True,
        text=True,
        check=False,
    )
    return said.returncode, said.stderr + said.stdout


def test_systemd_finds_no_fault_in_the_units_of_an_installed_board(board: Path) -> None:
    assert {unit.name for unit in UNITS} >= {"partiald.service", "partiald-poweroff.path"}
    assert verified(board, *(unit.name for unit in UNITS)) == (0, "")


def test_systemd_would_find_a_fault(board: Path) -> None:
    faulty = (SYSTEMD / "partiald.service").read_text("utf-8").replace("Restart=", "Restrat=")
    (board / "etc/systemd/system/faulty.service").write_text(faulty)
    assert "Restrat" in verified(board, "faulty.service")[1]


def test_the_sandbox_is_as_tight_as_an_instrument_allows() -> None:
    unit = SYSTEMD / "partiald.service"

    def judged(tenths: int) -> int:
        return subprocess.run(
            ["systemd-analyze", "security", "--offline=true", f"--threshold={tenths}", unit],
            capture_output=True,
            check=False,
        ).returncode

    assert judged(MOST_EXPOSED) == 0
    assert judged(1) != 0  # the judge can say no


def test_what_would_silence_the_instrument_is_left_out() -> None:
    settings = {line.split("=")[0] for line in lines("partiald.service")}
    # FIFO priority, /dev/snd, its group, the library's callback, /proc/asound
    assert not settings & {
        "RestrictRealtime",
        "PrivateDevices",
        "PrivateUsers",
        "MemoryDenyWriteExecute",
        "ProcSubset",
    }
    # It would end the keeper, who has nothing to do with real time.
    assert not settings & {"LimitRTTIME"}


def test_it_is_never_given_up() -> None:
    unit = lines("partiald.service")
    assert "Restart=always" in unit
    assert "StartLimitIntervalSec=0" in unit
    assert not [line for line in unit if "network" in line.lower() and line.startswith("After")]


def test_what_root_does_for_it_is_asked_for_by_a_file_in_its_own_folder() -> None:
    for name, file in (("poweroff", "poweroff"), ("report", "report.txt")):
        assert f"PathExists=/run/partiald/{file}" in lines(f"partiald-{name}.path")
    assert "SuccessAction=poweroff" in lines("partiald-poweroff.service")
    # What runs before systemd switches off needs no right at all.
    assert "User=partiald" in lines("partiald-poweroff.service")
    also = next(line for line in lines("partiald.service") if line.startswith("Also="))
    assert set(also.removeprefix("Also=").split()) == {
        "partiald-poweroff.path",
        "partiald-report.path",
    }
