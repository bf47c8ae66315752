"""A board on its battery: told how full it is, not put off by one low word, switched off when low.

Runs inside the board. No kernel of Debian's has a battery to try with, so the files that its ABI
page sysfs-class-power describes lie in a folder mounted where they would be. The board itself is
switched off at the end, by systemd, as the service asked.
"""

import signal
import subprocess
from pathlib import Path

from tests.boot.box import (
    NAME,
    PLAIN,
    Journal,
    Passages,
    check,
    cue,
    figure,
    now,
    plug,
    save,
    status,
    told,
    wait,
)
from tests.boot.controller import Controller

SUPPLIES = Path("/sys/class/power_supply")


def main() -> None:
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi")
    told("mount", "-t", "tmpfs", "none", str(SUPPLIES))
    battery("Discharging", 40)
    save(PLAIN + "[power]\noff_at_percent = 10\n")
    begun = now()
    told("systemctl", "restart", "partiald")
    journal = Journal()
    journal.wait("ready: ", begun)
    controller, passages = Controller(NAME), Passages()
    plug(controller, journal)
    wait("its charge in the status", lambda: percent() == 40, 5.0)
    passages.begin("on the battery", controller, 69)
    passages.hold(0.5, 69)
    passages.end(controller, 69, prompt=False)

    begun = now()
    battery("Discharging", 3)
    journal.wait("the battery is at 3 %: switching off in 60 s, unless it is charged", begun)
    battery("Charging", 3)
    journal.wait("not switching off: the battery is charged", begun)
    battery("Discharging", 9)
    soon = journal.wait("the battery is at 9 %: switching off in 60 s", begun)
    check("battery" in told("partiald", "status"), "the status shows it")
    off = journal.wait("switching off: the battery has run down to 10 %", begun, 90.0)
    figure("from the warning to the farewell", off.at_s - soon.at_s, 65.0)
    check(off.at_s - soon.at_s >= 59.0, "a minute later", off.at_s - soon.at_s)
    cue("the farewell", 79, 74, 71, 67)
    figure("then, until systemd switches it off", wait("a power-off", stopping, 30.0), 10.0)


def stopping() -> bool:
    done = subprocess.run(["systemctl", "is-system-running"], capture_output=True, text=True)
    return done.stdout.strip() == "stopping"


def percent() -> object:
    return status()["health"]["battery_percent"]


def battery(state: str, percent: int) -> None:
    folder = SUPPLIES / "pack"
    folder.mkdir(exist_ok=True)
    for name, value in {"type": "Battery", "status": state, "capacity": str(percent)}.items():
        new = folder / f"{name}.new"
        new.write_text(f"{value}\n")
        new.rename(folder / name)


if __name__ == "__main__":
    main()
