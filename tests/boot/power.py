"""Cuts the power of a virtual board in mid-save, again and again, and looks at what is left.

``python3 power.py ARCH SYSTEM FOLDER CUTS``, as root in a mount namespace of its own: SYSTEM is
what build-box made. Each time the board starts from the disk that the last cut left, looks at it,
and saves without end until its emulator is killed. Before that the emulator is frozen at random
moments: its disk then is what a cut would have left, and is looked at here. With the first start
and the last the board plays; between them it starts no more than it needs, which is quicker.

What the guest had written is on the disk at a cut; what it only meant to write is not. While a
disk is waited for, the board's clock runs ahead: so it is in memory, if there is room.
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from tests.boot.scene_power import LEARNED, VERSIONS

HERE = Path(__file__).parent
LIMIT_S = float(os.environ.get("BOARD_LIMIT_S", "1800"))
"""For one start of the board, in the host's time."""
LOOKS = 10
"""Before each cut."""
LONGEST_S = 1.0
"""From one look to the next, and to the cut, in the host's time."""
BOARDS_MB = 2 * 1536
"""For this board and one beside it."""
SLACK_ON_A_DISK = 30


class VirtualBoard:
    """A running virtual board whose root is on a disk."""

    def __init__(self, arch: str, system: Path, folder: Path, disk: Path, mode: str) -> None:
        self._out, self._said, self._pid = (folder / each for each in ("out.txt", "said", "pid"))
        self._out.unlink(missing_ok=True)
        slack = 1 if disk.parent.is_mount() else SLACK_ON_A_DISK
        (folder / "in/script").write_text(
            f"cd /board\nexport SLACK={slack}\n"
            f"python3 -m tests.boot.scene_power {mode} 2>&1\necho status $?\n"
        )
        self._process = subprocess.Popen(
            [str(HERE / "board"), arch, str(folder), "0", "-pidfile", str(self._pid)],
            env={
                **os.environ,
                "BOARD_SYSTEM": str(system),
                "BOARD_DISK": str(disk),
                "BOARD_UNIT": "board-script.service" if mode == "again" else "board.target",
            },
            stderr=self._said.open("w"),
        )

    def told(self) -> str:
        return self._out.read_text() if self._out.exists() else ""

    def wait(self, words: str) -> None:
        begun = time.monotonic()
        while words not in self.told():
            if self._process.poll() is not None or time.monotonic() - begun > LIMIT_S:
                self.cut()
                if words not in self.told():
                    raise SystemExit(
                        f"FAILED: the board did not say '{words}' within "
                        f"{time.monotonic() - begun:.0f} s:\n{self.told()}{self._said.read_text()}"
                    )
            time.sleep(0.1)

    def frozen_copy(self, disk: Path, copy: Path) -> None:
        """Copy the disk as it is at this moment."""
        number = int(self._pid.read_text())
        os.kill(number, signal.SIGSTOP)
        while not stands_still(number):
            time.sleep(0.001)
        copy_sparse(disk, copy)
        os.kill(number, signal.SIGCONT)

    def cut(self) -> None:
        if self._process.poll() is None:
            os.kill(int(self._pid.read_text()), signal.SIGKILL)
        self._process.wait()


def stands_still(process: int) -> bool:
    """Return whether all of its threads are stopped."""
    try:
        stats = [each.read_text() for each in Path(f"/proc/{process}/task").glob("*/stat")]
    except OSError:  # one has just ended
        return False
    return all(each.rpartition(")")[2].split()[0] == "T" for each in stats)


def copy_sparse(original: Path, copy: Path) -> None:
    subprocess.run(["cp", "--sparse=always", str(original), str(copy)], check=True)


def free_mb() -> int:
    """Return how much memory there is to be had, of the machine's and of the container's."""
    lines = Path("/proc/meminfo").read_text().splitlines()
    free = next(int(each.split()[1]) << 10 for each in lines if each.startswith("MemAvailable"))
    for group, limit, kinds in (
        (Path("/sys/fs/cgroup"), "memory.max", ("anon", "shmem")),
        (Path("/sys/fs/cgroup/memory"), "memory.limit_in_bytes", ("total_rss", "total_shmem")),
    ):
        if (group / limit).exists() and (most := (group / limit).read_text().strip()).isdigit():
            used = dict(each.split() for each in (group / "memory.stat").read_text().splitlines())
            free = min(free, int(most) - sum(int(used[each]) for each in kinds))
    return free >> 20


def place_for_disks(folder: Path, size_mb: int) -> Path:
    """Return a folder for two images: in memory, or on the disk if that has to be."""
    place = folder / "disks"
    place.mkdir()
    need_mb = BOARDS_MB + 2 * size_mb
    found_mb = free_mb()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={2 * size_mb + 1}m", "none", str(place)]
    if found_mb < need_mb:
        print(f"{found_mb} MB of memory are free, not {need_mb}: the board's disk is on the host's")
    elif subprocess.run(mount, check=False).returncode:
        print("no memory could be mounted: the board's disk is on the host's")
    return place


def look(copy: Path) -> str:
    """Return which version a cut would have left, with + if another was begun beside it."""
    mended = subprocess.run(["e2fsck", "-fp", str(copy)], capture_output=True, text=True)
    whole = subprocess.run(["e2fsck", "-fn", str(copy)], capture_output=True, text=True)
    if mended.returncode > 1 or whole.returncode:
        raise SystemExit(f"FAILED: the file system is broken:\n{mended.stdout}{whole.stdout}")
    text = debugfs(copy, f"cat {LEARNED}")
    if text not in VERSIONS:
        raise SystemExit(f"FAILED: neither the old nor the new file: {len(text)} bytes: {text!r}")
    unfinished = debugfs(copy, f"ls -p {LEARNED.parent}").count("/.learned")
    return f"{VERSIONS.index(text) + 1}{'+' * (unfinished > 0)}"


def debugfs(disk: Path, request: str) -> str:
    return subprocess.run(
        ["debugfs", "-R", request, str(disk)], capture_output=True, text=True, check=True
    ).stdout


def main(arch: str, system: Path, folder: Path, cuts: int) -> None:
    size_mb = (system / "disk.ext4").stat().st_size >> 20
    place = place_for_disks(folder, size_mb)
    disk, copy = place / "disk.ext4", place / "copy.ext4"
    copy_sparse(system / "disk.ext4", disk)
    chance = random.Random()
    for number in range(cuts):
        board = VirtualBoard(arch, system, folder, disk, "again" if number else "first")
        board.wait("saving")
        found = []
        for _ in range(LOOKS):
            time.sleep(chance.uniform(0.0, LONGEST_S))
            board.frozen_copy(disk, copy)
            found.append(look(copy))
        time.sleep(chance.uniform(0.0, LONGEST_S))
        board.cut()
        print(board.told())
        print(f"power cut {number + 1}; sooner it would have left version {' '.join(found)}")
        sys.stdout.flush()
    board = VirtualBoard(arch, system, folder, disk, "last")
    board.wait("status ")
    board.cut()
    print(board.told())
    for each in (disk, copy):
        each.unlink()
    sys.exit("status 0" not in board.told())


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]))
