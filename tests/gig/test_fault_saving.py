"""What is kept for the next power-on, when it cannot be written or the power goes meanwhile.

Real file systems: a small one that is full, one that may only be read, in a mount namespace of
their own; and a writer that is killed a thousand times.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from config.toml.files import write_atomic
from tests.support.command import ROOT
from tests.support.fault_table import FaultLog, rows

OLD, NEW = "old = 1\n" * 500, "new = 2\n" * 700
NOBODY = 65_534

SAVE = """
import sys
from pathlib import Path
from config.toml.files import write_atomic
from daemon import log
from daemon.storage.deferred_writes import DeferredWrites
log.set_up()
path, writes = Path(sys.argv[1]), DeferredWrites()
for struck, now_us in ((0, 0), (0, 3_500_000), (0, 7_000_000)):
    writes.request("what was learned", lambda: lambda: write_atomic(path, "new = 2\\n" * 5000))
    writes.tick(struck, 0, now_us)
"""
OWE = """
import subprocess, sys
from pathlib import Path
from config.library import shipped
from daemon import log
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.kept_sounds import KeptSounds
from daemon.storage.owed_sounds import AGAIN_US, OwedSounds
log.set_up()
writes, now_us = DeferredWrites(), 0
kept = KeptSounds(Path(sys.argv[1]) / "sounds")
owed = OwedSounds(kept, writes, lambda: now_us, lambda: None)
owed.owe({"sine": shipped()["sine"]})
for mended in (False, True):
    for _ in range(6):
        now_us += AGAIN_US // 3
        owed.tick(now_us)
        writes.tick(0, 0, now_us)
    if not mended:
        assert owed.sounds and not kept.names()
        subprocess.run(sys.argv[2:], check=True)
assert kept.names() == ["sine"] and not owed.sounds
"""
# A small process, since forking a large one a thousand times takes long.
KILLS = """
import json, os, random, signal, sys, time
from pathlib import Path
from config.toml.files import write_atomic
path, old, new = Path(sys.argv[1]), sys.argv[2], sys.argv[3]
write_atomic(path, old)
chance, found, most_left = random.Random(20), set(), 0
for _ in range(1000):
    before = path.stat().st_ino
    child = os.fork()
    if child == 0:
        while True:
            write_atomic(path, new)
            write_atomic(path, old)
    while path.stat().st_ino == before:
        time.sleep(0)
    until = time.monotonic() + chance.uniform(0.0, 0.0005)
    while time.monotonic() < until:
        pass
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    found.add(path.read_text())
    most_left = max(most_left, len(os.listdir(path.parent)) - 1)
print(json.dumps([sorted(found), most_left]))
"""
FULL = """
mount -t tmpfs -o size=32k none "$1" && echo 'old = 1' >"$1/learned.toml"
head -c 24000 /dev/zero >"$1/more" && cd "$3"
"$2" -c "$4" "$1/learned.toml" && cat "$1/learned.toml" && ls -A "$1"
"""
READ_ONLY = """
mount -t tmpfs none "$1" && echo 'old = 1' >"$1/learned.toml" && mount -o remount,ro "$1" && cd "$3"
"$2" -c "$4" "$1/learned.toml" && cat "$1/learned.toml" && ls -A "$1"
"""
FULL_FOR_A_SOUND = """
mount -t tmpfs -o size=96k none "$1" && head -c 60000 /dev/zero >"$1/more"
cd "$3" && "$2" -c "$4" "$1" rm "$1/more"
"""
READ_ONLY_FOR_A_SOUND = """
mount -t tmpfs none "$1" && mount -o remount,ro "$1"
cd "$3" && "$2" -c "$4" "$1" mount -o remount,rw "$1"
"""


def in_a_mount(
    fault: str, script: str, program: str, folder: Path
) -> "subprocess.CompletedProcess[str]":
    """Run a program on a file system of its own; see that it logs what the table says."""
    log: list[str] = []
    watch = FaultLog(fault, lambda: "".join(log))
    words = ["unshare", "--map-root-user", "--mount", "sh", "-c", script, "sh"]
    done = subprocess.run(
        [*words, str(folder), sys.executable, str(ROOT), program],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    log.append(done.stderr)
    watch.wait_for_all(0.0)
    return done


@pytest.mark.needs("namespaces")
@pytest.mark.parametrize(
    ("fault", "script", "there"),
    [
        ("memory card full while saving", FULL, "learned.toml\nmore\n"),
        ("memory card read-only while saving", READ_ONLY, "learned.toml\n"),
    ],
)
def test_what_cannot_be_saved_is_reported_once_and_the_old_file_stays(
    fault: str, script: str, there: str, tmp_path: Path
) -> None:
    done = in_a_mount(fault, script, SAVE, tmp_path)
    assert len(done.stderr.splitlines()) == 1
    assert done.stdout == "old = 1\n" + there


@pytest.mark.needs("namespaces")
@pytest.mark.parametrize(
    ("script", "why"),
    [
        (FULL_FOR_A_SOUND, "no room is left on the card"),
        (READ_ONLY_FOR_A_SOUND, "can't be written to: write-protected"),
    ],
)
def test_a_sound_that_the_card_does_not_take_is_kept_once_it_does(
    script: str, why: str, tmp_path: Path
) -> None:
    fault = "memory card that does not take a sound that is kept"
    done = in_a_mount(fault, script, OWE, tmp_path)
    assert done.returncode == 0, done.stderr
    assert why in done.stderr
    assert len(done.stderr.splitlines()) == 2


def test_a_folder_of_somebody_else_keeps_the_old_file() -> None:
    folder = Path(tempfile.mkdtemp())
    path = folder / "mine.toml"
    path.write_text(OLD)
    folder.chmod(0o555)
    child = os.fork()
    if child == 0:
        code = 1
        try:
            if os.getuid() == 0:
                os.setuid(NOBODY)
            try:
                write_atomic(path, NEW)
            except PermissionError:
                code = 0
        finally:
            os._exit(code)
    try:
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
        assert path.read_text() == OLD
        assert os.listdir(folder) == ["mine.toml"]
    finally:
        folder.chmod(0o755)
        path.unlink()
        folder.rmdir()


def test_after_a_thousand_kills_there_is_the_old_or_the_new_file_and_nothing_piles_up() -> None:
    assert rows()["power cut while saving"].lines == []
    # In memory: a kill tests no disk, and a disk would only make the thousand slow.
    memory = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        words = [sys.executable, "-c", KILLS, f"{folder}/mine.toml", OLD, NEW]
        done = subprocess.run(
            words, cwd=ROOT, capture_output=True, text=True, timeout=120, check=True
        )
        found, most_left = json.loads(done.stdout)
        assert sorted(found) == [NEW, OLD], "the kills all came at the same moment"
        # Or else the kills never met a file that was being written.
        assert most_left == 1
        write_atomic(Path(folder) / "mine.toml", NEW)
        assert os.listdir(folder) == ["mine.toml"]


def test_writers_at_one_time_do_not_take_each_others_files(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    writers = []
    for content in (OLD, NEW, OLD, NEW):
        child = os.fork()
        if child == 0:
            code = 1
            try:
                for _ in range(200):
                    write_atomic(path, content)
                code = 0
            finally:
                os._exit(code)
        writers.append(child)
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in writers]
    assert codes == [0, 0, 0, 0]
    assert path.read_text() in (OLD, NEW)
    assert os.listdir(tmp_path) == ["mine.toml"]
