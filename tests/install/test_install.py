"""Putting partiald on a board: the scripts refuse before they change, and say what they would do.

A whole life on a real system, without a network, is `make install-test`.
"""

import os
import platform
import re
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SYSTEMD = ROOT / "systemd"
CI = ("checkout.sh", "deb", "pythons", "run", "systems.sh", "wheel")
TESTS = ("card", "fresh", "package", "run")
SCRIPTS = [
    path for path in sorted(SYSTEMD.iterdir()) if path.read_bytes().startswith(b"#!/bin/sh\n")
]
DEBIAN = {"dpkg": "echo arm64", "apt-get": "exit 9", "systemctl": "exit 9"}
CODENAME = platform.freedesktop_os_release().get("VERSION_CODENAME", "unknown")


def call(*words: str | Path, path: Path | None = None) -> subprocess.CompletedProcess[str]:
    environment = {"PATH": os.environ["PATH"] if path is None else str(path), "LC_ALL": "C"}
    return subprocess.run(
        ["/bin/sh", *map(str, words)],
        env=environment,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def tree(top: Path) -> list[Path]:
    """Return all files from there down that are not made by Python."""
    if top.is_file():
        return [top]
    return [path for path in top.rglob("*") if path.is_file() and path.suffix != ".pyc"]


def few_programs(folder: Path, **others: str) -> Path:
    """Return a PATH of a few of this machine's programs, and of some that answer as told."""
    folder.mkdir()
    for name in ("basename", "cat", "dirname", "find", "grep", "head", "id", "ln", "ls", "mkdir"):
        (folder / name).symlink_to(str(shutil.which(name)))
    for name in ("mktemp", "readlink", "rm", "sed", "sh", "sha256sum", "sort", "tail", "xargs"):
        (folder / name).symlink_to(str(shutil.which(name)))
    for name, script in others.items():
        # Never through the link: root would write over the machine's own program.
        (folder / name).unlink(missing_ok=True)
        (folder / name).write_text(f"#!/bin/sh\n{script}\n")
        (folder / name).chmod(0o755)
    return folder


def shellcheck(*words: str | Path) -> str:
    return subprocess.run(
        ["shellcheck", *words], capture_output=True, text=True, check=False
    ).stdout


def test_every_script_is_clean_posix_shell() -> None:
    assert {path.name for path in SCRIPTS} >= {"install", "bundle", "report"}
    assert shellcheck("--shell=sh", *SCRIPTS, ROOT / ".ci/setup") == ""


def test_the_tests_own_scripts_are_clean_too() -> None:
    assert (
        shellcheck(
            "-x",
            *(ROOT / ".ci" / name for name in CI),
            *(ROOT / "tests/install" / name for name in TESTS),
        )
        == ""
    )


def test_no_address_of_a_mirror_stands_in_the_tree() -> None:
    hosts = re.compile(r"(deb|ftp|httpredir|security|snapshot)\.debian\.org|pypi\.org|pythonhosted")
    files = [
        path
        for top in (".ci", "debian", "systemd", "tests", "Makefile")
        for path in tree(ROOT / top)
    ]
    found = [path for path in files if hosts.search(path.read_text("utf-8", "replace"))]
    assert files
    assert found == [Path(__file__)]


@pytest.mark.parametrize("name", ["install", "bundle", "card"])
def test_help_goes_to_stdout_and_a_wrong_option_ends_with_2(name: str) -> None:
    helped = call(SYSTEMD / name, "--help")
    assert (helped.returncode, helped.stderr) == (0, "")
    assert "--" in helped.stdout
    assert call(SYSTEMD / name, "--nonsense").returncode == 2


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make what of a folder of systemd/bundle the installer reads before it changes anything."""
    folder = tmp_path / "a stick"
    (folder / "debs").mkdir(parents=True)
    shutil.copy(SYSTEMD / "install", folder)
    (folder / "bundle.txt").write_text(f"version: 1.0\nfor: {CODENAME} arm64\n")
    return folder


def refusal(folder: Path, path: Path, *words: str) -> str:
    """Return the one line with which the installer refuses, before it has changed anything."""
    said = call(folder / "install", *words, path=path)
    assert (said.returncode, said.stdout) == (1, "")
    assert said.stderr.count("\n") == 1
    return said.stderr


def test_without_systemd_or_apt_the_installer_says_so_in_one_line_and_stops(
    folder: Path, tmp_path: Path
) -> None:
    for lacking in ("systemctl", "apt-get"):
        programs = {name: script for name, script in DEBIAN.items() if name != lacking}
        path = few_programs(tmp_path / f"without {lacking}", **programs)
        assert "nothing was changed" in refusal(folder, path)


def test_a_folder_for_another_system_is_refused_in_one_line(folder: Path, tmp_path: Path) -> None:
    path = few_programs(tmp_path / "bin", **{**DEBIAN, "dpkg": "echo armhf"})
    assert f"that folder is for {CODENAME} arm64, and this system is" in refusal(folder, path)


def test_a_checkout_is_not_installed_from(tmp_path: Path) -> None:
    assert "sudo apt install" in refusal(SYSTEMD, few_programs(tmp_path / "bin", **DEBIAN))


def test_a_user_who_is_not_there_is_refused(folder: Path, tmp_path: Path) -> None:
    path = few_programs(tmp_path / "bin", **{**DEBIAN, "id": "[ $# = 1 ] && echo 0"})
    assert "no user 'nobody-of-that-name'" in refusal(folder, path, "--user", "nobody-of-that-name")


def test_a_dry_run_names_every_step_and_does_none(folder: Path, tmp_path: Path) -> None:
    # Programs that change anything fail, or are not even there.
    path = few_programs(tmp_path / "bin", **DEBIAN)
    said = call(folder / "install", "--dry-run", "--hold-timers", "--governor", path=path)
    assert (said.returncode, said.stderr) == (0, "")
    for step in (
        "update",
        "install --allow-downgrades partiald=1.0",
        "touch /etc/partiald/no-maintenance",
        "systemctl enable partiald-governor.service",
    ):
        assert f"{step}\n" in said.stdout


def test_maintenance_is_held_by_a_file_of_the_owners() -> None:
    assert "ConditionPathExists=!/etc/partiald/no-maintenance" in (
        SYSTEMD / "timer.conf"
    ).read_text("utf-8")
    assert "unwanted=/etc/partiald/no-maintenance\n" in (SYSTEMD / "install").read_text("utf-8")


def test_a_package_takes_nothing_from_the_index_but_files_of_known_checksums() -> None:
    script = (ROOT / ".ci/deb").read_text("utf-8").replace("\\\n", " ")
    calls = re.findall(r".*\bpip .*", script)
    assert calls
    assert [line for line in calls if "--require-hashes" not in line] == []


def test_all_that_packages_bundle_is_pinned_with_checksums() -> None:
    pins = (ROOT / "debian/wheels.txt").read_text("utf-8").replace("\\\n", " ")
    pinned = {
        line.split("==")[0]: line.count("--hash=sha256:")
        for line in pins.splitlines()
        if not line.startswith("#")
    }
    assert pinned["sounddevice"] == 1
    assert pinned["pydantic-core"] == 4  # Debian 12 and 13, two processors
    assert min(pinned.values()) >= 1


def test_a_bundle_is_not_made_over_somebody_s_files(tmp_path: Path) -> None:
    (tmp_path / "holiday.jpg").touch()
    said = call(SYSTEMD / "bundle", tmp_path)
    assert said.returncode == 1
    assert "not empty" in said.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["holiday.jpg"]


@pytest.mark.parametrize("words", [["--release", "buster"], ["--arch", "armhf"], []])
def test_a_bundle_is_for_what_partiald_runs_on(words: list[str], tmp_path: Path) -> None:
    said = call(SYSTEMD / "bundle", *words, *([tmp_path] if words else []))
    assert said.returncode == 2
    assert said.stderr.count("\n") == 1


# The report: root copies what another user wrote.


def report(written: Path, *folders: Path) -> subprocess.CompletedProcess[str]:
    kind = subprocess.run(
        ["stat", "-f", "-c", "%T", written.parent], capture_output=True, text=True, check=True
    )
    return call(SYSTEMD / "report", written, " ".join(map(str, folders)), kind.stdout.strip())


def test_the_report_moves_to_the_first_boot_partition_there_is(tmp_path: Path) -> None:
    (tmp_path / "first").mkdir()
    (tmp_path / "second").mkdir()
    written = tmp_path / "report.txt"
    written.write_text("all is well\n")
    said = report(written, tmp_path / "none", tmp_path / "first", tmp_path / "second")
    assert (said.returncode, said.stderr) == (0, "")
    assert [path.name for path in (tmp_path / "first").iterdir()] == ["partiald-report.txt"]
    assert (tmp_path / "first" / "partiald-report.txt").read_text() == "all is well\n"
    assert not list((tmp_path / "second").iterdir())
    assert not written.exists()  # else it would be copied for ever


def test_the_report_goes_to_no_other_kind_of_file_system(tmp_path: Path) -> None:
    written = tmp_path / "report.txt"
    written.write_text("all is well\n")
    assert call(SYSTEMD / "report", written, tmp_path).returncode == 0
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("what", ["link", "pipe", "folder"])
def test_no_secret_gets_out_by_the_way_of_the_report(what: str, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("root's alone")
    boot = tmp_path / "boot"
    boot.mkdir()
    written = tmp_path / "report.txt"
    if what == "link":
        written.symlink_to(secret)
    elif what == "pipe":
        os.mkfifo(written)
    else:
        written.mkdir()
    said = report(written, boot)
    assert said.returncode == 1
    assert "not a regular file" in said.stderr
    assert not list(boot.iterdir())
    assert secret.read_text() == "root's alone"
    assert not written.exists()
    assert not written.is_symlink()


def test_the_report_can_not_fill_the_boot_partition(tmp_path: Path) -> None:
    boot = tmp_path / "boot"
    boot.mkdir()
    written = tmp_path / "report.txt"
    written.write_bytes(b"x" * 200_000)
    assert report(written, boot).returncode == 0
    assert (boot / "partiald-report.txt").stat().st_size == 65_536


def test_what_is_called_directly_may_be_executed() -> None:
    for name in ("install", "bundle", "card"):
        assert (SYSTEMD / name).stat().st_mode & stat.S_IXUSR
