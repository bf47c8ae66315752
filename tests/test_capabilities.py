"""What a machine forbids is named and counted; what it allows is run."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.command import ROOT

FORBIDDEN = "echo 'unshare failed: Operation not permitted' >&2; exit 1"


def with_unshare(folder: Path, script: str, *options: str) -> subprocess.CompletedProcess[str]:
    """Run the tests that need namespaces, on a machine whose `unshare` answers like this."""
    (folder / "unshare").write_text(f"#!/bin/sh\n{script}\n")
    (folder / "unshare").chmod(0o755)
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-m", "needs",
         "tests/gig/test_fault_saving.py", *options],
        cwd=ROOT,
        env={"PATH": f"{folder}:/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip


@pytest.mark.gig
def test_what_the_machine_forbids_is_not_run_but_named_and_counted(tmp_path: Path) -> None:
    done = with_unshare(tmp_path, FORBIDDEN)
    assert "not possible here, for lack of namespaces: 4: test_what_cannot_be_saved" in done.stdout
    assert " deselected" in done.stdout
    assert "passed" not in done.stdout


@pytest.mark.gig
def test_what_the_machine_forbids_is_named_once_by_tests_side_by_side(tmp_path: Path) -> None:
    done = with_unshare(tmp_path, FORBIDDEN, "-n", "2")
    assert done.stdout.count("not possible here, for lack of namespaces: 4: test_what_cannot") == 1


@pytest.mark.gig
def test_what_the_machine_allows_is_run_and_may_fail(tmp_path: Path) -> None:
    done = with_unshare(tmp_path, "exit 0")
    assert done.returncode == 1
    assert "4 failed" in done.stdout
    assert "not possible here" not in done.stdout


@pytest.mark.gig
def test_a_probe_that_fails_for_another_reason_ends_the_run(tmp_path: Path) -> None:
    done = with_unshare(tmp_path, "echo 'no such option' >&2; exit 1")
    assert "the probe of namespaces failed: no such option" in done.stdout + done.stderr
    assert done.returncode > 1
