"""A board wakes up by itself; it is played, edited, and its plugs are pulled.

Runs inside the board, once systemd has started all it starts.
"""

import json
import mmap
import os
import stat
import subprocess
import time
from pathlib import Path

from tests.boot.box import (
    NAME,
    PLAIN,
    Journal,
    Passages,
    accounts,
    bring_hubs,
    check,
    cue,
    figure,
    now,
    plug,
    save,
    sound_card,
    status,
    told,
    wait,
)
from tests.boot.controller import Controller

CHORD = (60, 64, 67, 71)
KNOB = 21
LEARNED = Path("/var/lib/partiald/learned.toml")
MOST_MIB = 90.0
"""That all processes may take together after some minutes of playing."""
HUGE_PAGES = Path("/sys/kernel/mm/transparent_hugepage/khugepaged")


def main() -> None:
    journal = Journal()
    wakes(journal)
    lost = bring_hubs()
    controller = Controller(NAME)
    passages = Passages()
    plug(controller, journal)
    cue("the cue that it can be played", 67, 71, 74)
    passages.begin("as it comes", controller, 69)
    passages.hold(0.5, 69)
    passages.end(controller, 69, prompt=False)  # this sound begins slowly
    edits(journal, controller, passages)
    learns(journal, controller)
    pulls_the_controller(journal, controller, passages)
    pulls_the_card(journal, controller, passages, lost)
    tells_the_truth(journal)


def wakes(journal: Journal) -> None:
    ready = journal.wait("ready: ")
    kernel = Journal("--dmesg")
    card = kernel.wait("Product: QEMU USB Audio")
    early = journal.count("may open it")
    check(early == 0, "a card that udev has not seen yet is no fault", early)
    begun = int(told("systemctl", "show", "-P", "ExecMainStartTimestampMonotonic", "partiald"))
    figure("the kernel's start, until ready", ready.at_s, 30.0)
    figure("the service's start, until ready", ready.at_s - begun / 1e6, 10.0)
    figure("the sound card's arrival, until ready", ready.at_s - card.at_s, 30.0)
    state = told("systemctl", "show", "-P", "ActiveState", "partiald").strip()
    check(state == "active", "systemd has started it", state)
    process = status()["process"]
    owner = Path(f"/proc/{process}").stat().st_uid
    name = told("id", "-nu", str(owner)).strip()
    check(name == "partiald", "it runs as its own user", name)


def edits(journal: Journal, controller: Controller, passages: Passages) -> None:
    begun = now()
    save("polyphony = 4\n" + PLAIN)
    line = journal.wait("settings read again: 4 voices, sound 'sine'", begun)
    figure("an edit saved, until it is in force", line.at_s - begun, 2.0)

    passages.begin("a steal", controller, *CHORD)
    passages.hold(0.3, *CHORD)
    stolen = accounts()["stolen"]
    for key in (74, 77):
        controller.send(0x90, key, 100)
    passages.hold(0.5, 67, 71, 74, 77, gone=(60, 64))
    check(accounts()["stolen"] - stolen == 2, "two of six notes gave their voices", accounts())
    passages.end(controller, *CHORD, 74, 77)

    passages.begin("an edit while it sounds", controller, 69)
    passages.hold(0.3, 69)
    begun = now()
    save("polyphony = 8\n" + PLAIN)
    journal.wait("settings read again: 8 voices", begun)
    begun = now()
    save("polyphony = 0\n" + PLAIN)
    fault = journal.wait("polyphony = 0", begun)
    check(fault.priority <= 4, "a wrong edit is named", fault)
    journal.wait("settings left as they were", begun)
    passages.hold(0.3, 69)
    check(status()["polyphony"] == 8, "a wrong edit changes nothing", status()["polyphony"])
    passages.end(controller, 69, steady=True)
    begun = now()
    save("polyphony = 8\n" + PLAIN)
    journal.wait("settings read again", begun)

    eight = range(60, 76, 2)
    passages.begin("as many as now fit", controller, *eight)
    passages.hold(0.6, *eight)
    check(accounts()["stolen"] - stolen == 2, "eight of eight sound", accounts())
    # What strikes eight keys takes the board's one processor for a while, unlike a real controller.
    passages.end(controller, *eight, prompt=False)


def learns(journal: Journal, controller: Controller) -> None:
    """A knob is learned and kept by the service's own user, in the folder that systemd gave it."""
    check(not LEARNED.exists(), "nothing is learned yet")
    begun = now()
    asking = subprocess.Popen(["partiald", "learn", "tilt"], stdout=subprocess.PIPE, text=True)
    value = 0
    while asking.poll() is None:
        controller.send(0xB0, KNOB, value)
        value = (value + 40) % 128
        time.sleep(0.1)
    answer = asking.communicate()[0]
    lasting = f"Control {KNOB} of '{NAME}' changes tilt now, and after the next power-on."
    check(lasting in " ".join(answer.split()), "a knob is learned", answer)
    journal.wait(f"learned: control {KNOB} changes tilt", begun)
    took = wait("what was learned is kept", LEARNED.exists, 10.0)
    print(f"    after {took:.1f} s, in a pause")
    owners = (LEARNED.owner(), LEARNED.group(), stat.S_IMODE(LEARNED.stat().st_mode))
    check(owners == ("partiald", "partiald", 0o644), "by its own user", owners)
    folder = LEARNED.parent.stat()
    check(folder.st_mode & 0o022 == 0, "in a folder that nobody else writes to", folder)
    in_force = [line for line in told("partiald", "check").splitlines() if str(LEARNED) in line]
    check(any(str(KNOB) in line for line in in_force), "and it is in force", in_force)
    begun = now()
    LEARNED.unlink()
    journal.wait("settings read again", begun)


def pulls_the_controller(journal: Journal, controller: Controller, passages: Passages) -> None:
    passages.begin("the controller pulled", controller, 69)
    passages.hold(0.3, 69)
    begun = now()
    controller.unplug()
    line = journal.wait(f"controller lost: '{NAME}'; 1 held note released", begun)
    figure("controller out, until that is told", line.at_s - begun, 1.0)
    passages.end(None)
    plug(controller, journal)
    passages.begin("the controller back", controller, 69)
    passages.hold(0.3, 69)
    begun = now()
    controller.unplug()
    controller.plug()
    line = journal.wait("controller lost", begun)
    line = journal.wait("controller reconnected", begun)
    figure("out and in at once, until it is heard", line.at_s - begun, 1.5)
    passages.end(None)
    controller.unplug()
    elsewhere = Controller(NAME, socket_number=3)
    before = client_number()
    plug(elsewhere, journal)
    check(len(status()["controllers"]) == 1, "one controller, wherever it goes in", before)
    passages.begin("on another socket", elsewhere, 72)
    passages.hold(0.3, 72)
    passages.end(elsewhere, 72)
    elsewhere.unplug()
    begun = now()
    journal.wait("controller lost", begun - 1.0)
    plug(controller, journal)


def client_number() -> list[str]:
    clients = Path("/proc/asound/seq/clients").read_text().splitlines()
    return [line.split()[1] for line in clients if NAME in line and line.startswith("Client")]


def pulls_the_card(journal: Journal, controller: Controller, passages: Passages, lost: int) -> None:
    passages.begin("before the card is pulled", controller, 69)
    passages.hold(0.4, 69)
    passages.end(controller, 69, level=True)
    passages.begin("the card pulled", controller, 69)
    passages.hold(0.4, 69)
    card = sound_card() / "authorized"
    check(status()["underflows"] == lost, "no underflow since the hubs came", status())
    begun = now()
    card.write_text("0")
    line = journal.wait("looking for a sound card", begun)
    figure("the card out, until that is told", line.at_s - begun, 0.5)
    controller.send(0x80, 69, 0)
    passages.end(None)
    silent = accounts()["no sound card"]
    controller.send(0x90, 69, 100)
    controller.send(0x80, 69, 0)
    wait("its account", lambda: accounts()["no sound card"] == silent + 1)
    check(status()["state"] == "silent", "without a card it says so", status()["reason"])
    time.sleep(0.5)
    begun = now()
    card.write_text("1")
    line = journal.wait("sounding again", begun)
    figure("the card back, until it sounds again", line.at_s - begun, 1.0)
    passages.life += 1
    time.sleep(0.3)
    passages.begin("after the card is back", controller, 69)
    passages.hold(0.4, 69)
    passages.end(controller, 69, level=True)


def looks_through_all_memory() -> None:
    """Have the kernel do at once what it does within the hour: make huge pages where it may."""
    # Where no process may have any, the kernel looks at nothing: this one may.
    something = mmap.mmap(-1, 4 << 20, mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    something.madvise(mmap.MADV_HUGEPAGE)
    something.write(bytes(len(something)))
    looks = HUGE_PAGES / "full_scans"
    begun = int(looks.read_text())
    (HUGE_PAGES / "scan_sleep_millisecs").write_text("200")
    wait("all memory looked through", lambda: int(looks.read_text()) > begun + 2, 60.0)
    something.close()


def memory_mib() -> list[float]:
    """Return the proportional set sizes of the service's processes."""
    group = told("systemctl", "show", "-P", "ControlGroup", "partiald").strip()
    used = []
    for number in Path(f"/sys/fs/cgroup{group}/cgroup.procs").read_text().split():
        lines = Path("/proc", number, "smaps_rollup").read_text().splitlines()
        (size,) = (line.split()[1] for line in lines if line.startswith("Pss:"))
        used.append(round(int(size) / 1024, 1))
    return used


def tells_the_truth(journal: Journal) -> None:
    full = json.loads(told("partiald", "status", "--json"))
    notes = full["notes"]
    check(notes["received"] == sum(notes["accounts"].values()), "every note has an account", notes)
    check(full["silenced_blocks"] == 0, "no block silenced by a fault", full)
    print(told("partiald", "status"))
    looks_through_all_memory()
    used = memory_mib()
    check(sum(used) < MOST_MIB, "it leaves the board its memory", used)
    print(f"memory of its processes, shared parts shared out: {sum(used):.1f} MiB, {used}")
    begun = now()
    told("systemctl", "stop", "partiald")
    journal.wait("stopped after", begun)
    result = told("systemctl", "show", "-P", "Result", "partiald").strip()
    check(result == "success", "it stops when asked", result)
    worst = told("journalctl", "--boot", "--unit=partiald", "--priority=warning", "--output=cat")
    print(f"warnings of the whole evening:\n{worst}")
    os.sync()


if __name__ == "__main__":
    main()
