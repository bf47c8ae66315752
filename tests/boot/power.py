"""Cuts the power of a virtual board in mid-save, and looks at what is on its disk.

``python3 power.py ARCH SYSTEM FOLDER``: SYSTEM is what build-box made. The board saves without
end; again and again it is halted and its disk copied as it is in that instant, then its emulator
is killed, and it is booted again from the disk that is left. Of each copy the file system's
journal is replayed and the file read: it has to be the old or the new one, whole.
"""

import json
import os
import random
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

from tests.boot.scene_power import LEARNED, VERSIONS

HERE = Path(__file__).parent
CUTS = 10
LIMIT_S = 900.0


class Board:
    """A running virtual board, and the line to its emulator."""

    def __init__(self, arch: str, system: Path, folder: Path, disk: Path, mode: str) -> None:
        self.out = folder / "out.txt"
        (folder / "in/script").write_text(
            f"cd /board\npython3 -m tests.boot.scene_power {mode}\necho status $?\n"
        )
        self._line = folder / "qmp"
        self._pid = folder / "pid"
        options = ["-qmp", f"unix:{self._line},server=on,wait=off", "-pidfile", str(self._pid)]
        self.process = subprocess.Popen(
            [str(HERE / "board"), arch, str(folder), "0", *options],
            env={**os.environ, "BOARD_SYSTEM": str(system), "BOARD_DISK": str(disk)},
        )

    def wait(self, words: str) -> None:
        begun = time.monotonic()
        while words not in self.told():
            over = self.process.poll() is not None and words not in self.told()
            if over or time.monotonic() - begun > LIMIT_S:
                raise SystemExit(f"FAILED: the board did not say '{words}':\n{self.told()}")
            time.sleep(0.2)

    def told(self) -> str:
        return self.out.read_text() if self.out.exists() else ""

    def ask(self, *commands: str) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as wire:
            wire.connect(str(self._line))
            with wire.makefile("rw") as lines:
                lines.readline()
                for command in ("qmp_capabilities", *commands):
                    lines.write(json.dumps({"execute": command}) + "\n")
                    lines.flush()
                    while "return" not in json.loads(lines.readline()):
                        pass

    def cut(self) -> None:
        os.kill(int(self._pid.read_text()), signal.SIGKILL)
        self.process.wait()


def saved(disk: Path) -> str:
    """Return the file that is on a disk, once its journal is replayed."""
    done = subprocess.run(["e2fsck", "-fy", str(disk)], capture_output=True, text=True, check=False)
    if done.returncode > 1:
        raise SystemExit(f"FAILED: the file system is damaged: {done.stdout}")
    command = ["debugfs", "-R", f"cat {LEARNED}", str(disk)]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def main() -> None:
    arch, system, folder = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    disk, copy = folder / "disk.ext4", folder / "copy.ext4"
    subprocess.run(["cp", "--sparse=always", str(system / "disk.ext4"), str(disk)], check=True)
    board = Board(arch, system, folder, disk, "first")
    board.wait("saving")
    chance = random.Random(2026)
    found = dict.fromkeys(VERSIONS, 0)
    for _ in range(CUTS):
        time.sleep(chance.uniform(0.2, 0.6))
        board.ask("stop")
        subprocess.run(["cp", "--sparse=always", str(disk), str(copy)], check=True)
        board.ask("cont")
        text = saved(copy)
        if text not in found:
            raise SystemExit(f"FAILED: neither the old nor the new file: {text[:200]!r} ...")
        found[text] += 1
    board.cut()
    print(board.told())
    print(f"ok     halted {CUTS} times in mid-save: {list(found.values())} of the two versions")
    copy.unlink()
    shutil.copy(folder / "out.txt", folder / "out-first.txt")
    board.out.unlink()
    board = Board(arch, system, folder, disk, "again")
    board.process.wait(LIMIT_S)
    print(board.told())
    sys.exit("status 0" not in board.told())


if __name__ == "__main__":
    main()
