"""Cuts the power of a virtual board in mid-save, again and again, and looks at what is left.

``python3 power.py ARCH SYSTEM FOLDER CUTS``: SYSTEM is what build-box made. Each time the board
starts from the disk that the last cut left, looks at it, plays, and saves without end until its
emulator is killed, at a random moment. What the guest had written is on the disk then; what it
only meant to write is not.
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
LIMIT_S = float(os.environ.get("BOARD_LIMIT_S", "900"))
"""For one start of the board, in the host's time."""
LONGEST_S = 3.0
"""From the first save to the cut, in the host's time."""


class Board:
    """A running virtual board whose root is on a disk."""

    def __init__(self, arch: str, system: Path, folder: Path, disk: Path, mode: str) -> None:
        self._out = folder / "out.txt"
        self._out.unlink(missing_ok=True)
        (folder / "in/script").write_text(
            f"cd /board\npython3 -m tests.boot.scene_power {mode} 2>&1\necho status $?\n"
        )
        self._pid = folder / "pid"
        self._process = subprocess.Popen(
            [str(HERE / "board"), arch, str(folder), "0", "-pidfile", str(self._pid)],
            env={**os.environ, "BOARD_SYSTEM": str(system), "BOARD_DISK": str(disk)},
        )

    def told(self) -> str:
        return self._out.read_text() if self._out.exists() else ""

    def wait(self, words: str) -> None:
        begun = time.monotonic()
        while words not in self.told():
            if self._process.poll() is not None or time.monotonic() - begun > LIMIT_S:
                self.cut()
                if words not in self.told():
                    raise SystemExit(f"FAILED: the board did not say '{words}':\n{self.told()}")
            time.sleep(0.1)

    def cut(self) -> None:
        if self._process.poll() is None:
            os.kill(int(self._pid.read_text()), signal.SIGKILL)
        self._process.wait()


def main(arch: str, system: Path, folder: Path, cuts: int) -> None:
    disk = folder / "disk.ext4"
    subprocess.run(["cp", "--sparse=always", str(system / "disk.ext4"), str(disk)], check=True)
    chance = random.Random()
    for number in range(cuts):
        board = Board(arch, system, folder, disk, "again" if number else "first")
        board.wait("saving")
        moment_s = chance.uniform(0.0, LONGEST_S)
        time.sleep(moment_s)
        board.cut()
        print(board.told())
        print(f"power cut {number + 1}, {moment_s:.2f} s after the first save", flush=True)
    board = Board(arch, system, folder, disk, "last")
    board.wait("status ")
    board.cut()
    print(board.told())
    disk.unlink()
    sys.exit("status 0" not in board.told())


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]))
