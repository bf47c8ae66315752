"""A board whose root is on a memory card: what is written while it plays, and the power cut.

``python3 -m tests.boot.scene_power first``: plays for a minute and watches the disk, fills it, then
saves without end until the host cuts the power. ``... again``: after that the file is whole, and
it saves as before; nothing else runs. ``... last``: everything is there, and it plays on a disk
that has become read-only.
"""

import os
import subprocess
import sys
import time
from pathlib import Path

from tests.boot.box import (
    NAME,
    PLAIN,
    Journal,
    check,
    figure,
    now,
    plug,
    save,
    sounding,
    status,
    told,
    wait,
)
from tests.boot.controller import Controller

LEARNED = Path("/var/lib/partiald/learned.toml")
VERSIONS = tuple(
    f"[level]\nvolume_db = {level}\n[instead_of]\nlevel.volume_db = 0.0\n" + f"# {level}\n" * 1200
    for level in (-3.0, -6.0)
)
OWN_FOLDER = """
import sys
sys.path.insert(0, "/usr/lib/partiald")
"""
# With the product's own writer, as its own user.
SAVER = """
import sys
from pathlib import Path
from config.toml.files import write_atomic
path, *versions = Path(sys.argv[1]), *sys.argv[2:]
print("saving", flush=True)
while True:
    for version in versions:
        write_atomic(path, version)
"""
ONCE = """
import sys
from pathlib import Path
from config.toml.files import write_atomic
try:
    write_atomic(Path(sys.argv[1]), sys.argv[2])
except OSError as error:
    sys.exit(f"refused: {error.strerror}")
"""
SLACK = float(os.environ.get("SLACK", "1"))
"""How much longer all may take than it should: a board that waits for the host's disk sees its
clock run ahead."""
MELODY = (60, 64, 67, 72, 67, 64)


def as_partiald(program: str, *arguments: str) -> list[str]:
    return [
        "runuser",
        "-u",
        "partiald",
        "--",
        "python3",
        "-P",
        "-c",
        OWN_FOLDER + program,
        *arguments,
    ]


def written_sectors() -> int:
    """Return how much was ever written to the disk, in sectors of 512 bytes."""
    return int(Path("/sys/block/vda/stat").read_text().split()[6])


def starts() -> tuple[Journal, float]:
    """Return the journal, and when it was ready."""
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi")
    ready_s = journal.wait("ready: ", limit_s=30.0 * SLACK).at_s
    root = told("findmnt", "--noheadings", "--output", "SOURCE,FSTYPE,OPTIONS", "/")
    check(root.split()[:2] == ["/dev/vda", "ext4"], "the root is on a journalled disk", root)
    return journal, ready_s


def first() -> None:
    journal, _ = starts()
    begun = now()
    # Large blocks: the delay is not what this is about, and fewer blocks are quicker to emulate.
    save(PLAIN + "[audio]\nblock_frames = 1024\n[level]\nvolume_db = 0.0\n")
    journal.wait("settings read again", begun)
    controller = Controller(NAME)
    plug(controller, journal, SLACK)
    plays_without_writing(controller)
    print("journal: " + told("journalctl", "--disk-usage").strip())
    full(journal, controller)
    # Of itself the journal is written every five minutes, and the cut comes sooner.
    told("journalctl", "--sync")
    saves_without_end()


def again() -> None:
    whole(told("dmesg"))
    saves_without_end()


def last() -> None:
    read_only(after_a_cut())


def saves_without_end() -> None:
    subprocess.run(as_partiald(SAVER, str(LEARNED), *VERSIONS), check=True)


def plays_without_writing(controller: Controller) -> None:
    os.sync()
    settled = written_sectors()

    def steady() -> bool:
        nonlocal settled
        time.sleep(6.0)
        os.sync()
        before, settled = settled, written_sectors()
        return before == settled

    wait("a quiet disk", steady, 300.0)
    marker = Path("/run/marker")
    marker.touch()
    begun = now()
    while now() - begun < 60.0:
        for key in MELODY:
            controller.send(0x90, key, 100)
            time.sleep(0.4)
            controller.send(0x80, key, 0)
            time.sleep(0.1)
    os.sync()  # and what only waits to be written counts too
    sectors = written_sectors() - settled
    since = f"--since=@{time.time() - (now() - begun):.3f}"
    lines = told("journalctl", "--quiet", "--output=cat", since).splitlines()
    # What the host has made carries a later date than the board's clock.
    newer = ("-newer", str(marker), "!", "-newermt", f"@{time.time() + 60:.0f}")
    changed = told("find", "/", "-xdev", *newer, "!", "-path", "/var/log/journal/*").split()
    print(f"written in a minute of playing: {sectors} sectors, {len(lines)} lines of the journal")
    print("\n".join(f"    {line}" for line in lines))
    check(not changed, "a minute of playing changes no file", changed)
    check(lines or not sectors, "and nothing is written, but for the journal's lines", sectors)


def full(journal: Journal, controller: Controller) -> None:
    """A disk that is full keeps the old file whole, and nobody from playing."""
    done = subprocess.run(
        as_partiald(ONCE, str(LEARNED), VERSIONS[0]), capture_output=True, text=True, check=False
    )
    check(done.returncode == 0, "a save", done)
    begun = now()
    journal.wait("settings read again", begun - 1.0)
    filler = Path("/var/filler")
    with filler.open("wb") as file:
        size = 1 << 30
        while size >= 4096:
            try:
                os.posix_fallocate(file.fileno(), os.fstat(file.fileno()).st_size, size)
            except OSError:
                size //= 2
    done = subprocess.run(
        as_partiald(ONCE, str(LEARNED), VERSIONS[1]), capture_output=True, text=True, check=False
    )
    check("No space left" in done.stderr, "on a full disk a save is refused", done)
    check(LEARNED.read_text() == VERSIONS[0], "and the old file is whole")
    check(not unfinished(), "nothing is left beside it", unfinished())
    plays(controller)
    filler.unlink()


def plays(controller: Controller) -> None:
    controller.send(0x90, 69, 100)
    wait("its note", lambda: sounding() == 1)
    controller.send(0x80, 69, 0)
    wait("silence", lambda: sounding() == 0)
    check(status()["state"] == "playing", "it plays", status()["reason"])


def whole(kernel: str) -> None:
    check("recovery complete" in kernel, "the disk had not been put away", kernel)
    check("EXT4-fs error" not in kernel, "and its file system is whole", kernel)
    text = LEARNED.read_text()
    check(text in VERSIONS, "the old or the new file, whole", text)


def after_a_cut() -> Controller:
    journal, ready_s = starts()
    figure("after the power cut: the kernel's start, until ready", ready_s, 30.0 * SLACK)
    whole(told("journalctl", "--dmesg", "--output=cat"))
    in_force = told("partiald", "check")
    lines = [each for each in in_force.splitlines() if "volume_db" in each]
    check("learned.toml" in lines[0], "and it is in force", in_force)
    print(f"    {lines[0]}; beside it {len(unfinished())} unfinished")
    before = told("journalctl", "--boot=-1", "--unit=partiald", "--output=cat")
    check("ready: " in before, "the journal of the time before the cut can be read", before)
    controller = Controller(NAME)
    plug(controller, journal, SLACK)
    plays(controller)
    return controller


def unfinished() -> list[str]:
    return [each.name for each in LEARNED.parent.iterdir() if each.name.startswith(".learned")]


def read_only(controller: Controller) -> None:
    """The kernel's emergency: every file system read-only at once."""
    Path("/proc/sysrq-trigger").write_text("u")
    wait("a read-only root", lambda: told("findmnt", "-no", "OPTIONS", "/").startswith("ro"))
    done = subprocess.run(
        as_partiald(ONCE, str(LEARNED), VERSIONS[1]), capture_output=True, text=True, check=False
    )
    check("Read-only file system" in done.stderr, "on a read-only disk a save is refused", done)
    plays(controller)


if __name__ == "__main__":
    {"first": first, "again": again, "last": last}[sys.argv[1]]()
