import fcntl
import os
import signal
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.control.instance_lock import InstanceLock, places
from daemon.errors import RunError
from tests.support.command import ROOT
from tests.support.planted import OWN, planted
from tests.support.waiting import next_line

HOLDER = """
import sys, time
from pathlib import Path
from daemon.control.instance_lock import InstanceLock
lock = InstanceLock([Path(sys.argv[1])])
print("seated", flush=True)
time.sleep(60)
"""


@pytest.fixture
def control(tmp_path: Path) -> Path:
    return tmp_path / "partiald" / "control"


@pytest.fixture
def holder(control: Path) -> Iterator["subprocess.Popen[str]"]:
    """Another process that sits on the lock."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(control)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    try:
        assert next_line(process) == "seated\n"
        yield process
    finally:
        process.kill()
        process.communicate()


def test_the_lock_is_where_systemd_says_before_anywhere_else() -> None:
    """Source: systemd.exec(5): RUNTIME_DIRECTORY, several folders apart by colons."""
    given = {"RUNTIME_DIRECTORY": "/run/organ:/run/bells", "XDG_RUNTIME_DIR": "/run/user/1000"}
    assert places(given) == [Path("/run/organ/control")]


def test_by_hand_the_system_s_daemon_is_found_before_one_s_own() -> None:
    own = places({"XDG_RUNTIME_DIR": "/run/user/1000"})
    assert own == [Path("/run/partiald/control"), Path("/run/user/1000/partiald/control")]
    bare = places({"RUNTIME_DIRECTORY": "", "XDG_RUNTIME_DIR": ""})
    assert bare == [Path("/run/partiald/control"), Path(f"/tmp/partiald-{os.getuid()}/control")]


def test_who_takes_the_lock_leaves_its_number_in_a_folder_closed_to_strangers(
    control: Path,
) -> None:
    lock = InstanceLock([control])
    assert lock.path == control
    assert control.with_name("lock").read_text() == f"{os.getpid()}\n"
    assert stat.S_IMODE(control.parent.stat().st_mode) & 0o027 == 0
    lock.release()


@pytest.mark.gig
def test_a_second_one_is_told_which_process_runs(
    control: Path, holder: "subprocess.Popen[str]"
) -> None:
    with pytest.raises(RunError, match=f"already running as process {holder.pid}; ") as fault:
        InstanceLock([control])
    assert "\n" not in str(fault.value)
    # Looking did not take the lock away from its holder, nor wipe its number out.
    with pytest.raises(RunError, match=f"process {holder.pid};"):
        InstanceLock([control])


@pytest.mark.gig
def test_a_daemon_in_any_of_the_places_is_the_one_daemon(
    control: Path, holder: "subprocess.Popen[str]", tmp_path: Path
) -> None:
    with pytest.raises(RunError, match=f"process {holder.pid}"):
        InstanceLock([tmp_path / "elsewhere" / "control", control])
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.gig
def test_the_lock_of_a_killed_daemon_is_free(
    control: Path, holder: "subprocess.Popen[str]"
) -> None:
    holder.send_signal(signal.SIGKILL)
    holder.wait(5)
    lock = InstanceLock([control])
    assert control.with_name("lock").read_text() == f"{os.getpid()}\n"
    lock.release()


def test_folders_that_are_missing_are_made_for_owner_and_group(tmp_path: Path) -> None:
    control = tmp_path / "run" / "partiald" / "control"
    lock = InstanceLock([control])
    assert control.parent.stat().st_mode & 0o777 == 0o750
    assert (control.parent / "lock").stat().st_mode & 0o777 == 0o640
    lock.release()


def test_a_released_lock_can_be_taken_again(control: Path) -> None:
    InstanceLock([control]).release()
    InstanceLock([control]).release()


def test_a_folder_that_cannot_be_is_passed_over(control: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    lock = InstanceLock([tmp_path / "file" / "control", control])
    assert lock.path == control
    lock.release()


def test_no_folder_at_all_is_reported_in_one_line_with_every_reason(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(RunError) as fault:
        InstanceLock([tmp_path / "file" / "control", tmp_path / "file" / "deeper" / "control"])
    assert str(fault.value) == (
        f"no folder for the control socket: {tmp_path}/file: File exists; "
        f"{tmp_path}/file/deeper: Not a directory"
    )


def test_a_folder_somebody_else_may_have_put_there_is_not_used(
    control: Path, tmp_path: Path
) -> None:
    """In /tmp anybody can put a link under our name before us."""
    (tmp_path / "trap").mkdir()
    control.parent.symlink_to(tmp_path / "trap")
    with pytest.raises(RunError, match="belongs to another user"):
        InstanceLock([control])
    assert list((tmp_path / "trap").iterdir()) == []


def test_a_link_in_place_of_the_lock_is_not_followed(control: Path, tmp_path: Path) -> None:
    precious = tmp_path / "precious"
    precious.write_text("the market's song book")
    control.parent.mkdir()
    control.with_name("lock").symlink_to(precious)
    with pytest.raises(RunError, match="no folder for the control socket"):
        InstanceLock([control])
    assert precious.read_text() == "the market's song book"


def test_who_comes_between_the_lock_and_its_number_waits_for_the_number(control: Path) -> None:
    control.parent.mkdir()
    with control.with_name("lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        writing = threading.Timer(0.05, lambda: os.pwrite(lock.fileno(), b"4711\n", 0))
        writing.start()
        with pytest.raises(RunError, match="already running as process 4711;"):
            InstanceLock([control])
        writing.join()


def test_a_folder_that_a_stranger_made_is_not_used(tmp_path: Path) -> None:
    folder = planted(tmp_path / "partiald")
    with pytest.raises(RunError, match=f"{folder}: belongs to another user"):
        InstanceLock([folder / "control"], OWN)
    assert list(folder.iterdir()) == []


def test_a_lock_that_a_stranger_holds_keeps_nobody_from_starting(tmp_path: Path) -> None:
    folder = planted(tmp_path / "partiald")
    (folder / "lock").write_text("\x1b[2J\n")
    with (folder / "lock").open() as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(RunError) as fault:
            InstanceLock([folder / "control"], OWN)
    assert "already running" not in str(fault.value)


def test_a_lock_that_names_no_process_is_held_by_an_unknown_one(tmp_path: Path) -> None:
    (tmp_path / "lock").write_text("\x1b[2J\n")
    with (tmp_path / "lock").open() as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(RunError, match="already running as process unknown"):
            InstanceLock([tmp_path / "control"])
