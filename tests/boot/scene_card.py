"""A card that systemd/card made of a maker's image: nobody ever typed a word on this board.

Runs inside the board that was started from that card, once systemd has started all it starts.
"""

from pathlib import Path

from tests.boot.box import (
    NAME,
    NO_CUES,
    Journal,
    Passages,
    check,
    figure,
    now,
    plug,
    status,
    told,
)
from tests.boot.controller import Controller

BOOT = Path("/boot/firmware/partiald.toml")
KEYS = Path("/home/anna/.ssh/authorized_keys")


def main() -> None:
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi")
    ready = journal.wait("ready: 7 voices, sound 'sine'", limit_s=60.0)
    figure("the kernel's start, until ready", ready.at_s, 60.0)
    check(status()["polyphony"] == 7, "the settings from its boot partition", status()["polyphony"])
    check(NO_CUES in BOOT.read_text(), "which is mounted", BOOT)
    name = told("uname", "-n").strip()
    check(name == "organ", "its name", name)
    check(KEYS.stat().st_mode & 0o777 == 0o600, "the key that may log in", KEYS.stat())
    groups = told("id", "-nG", "anna").split()
    check({"partiald", "sudo"} <= set(groups), "and what its user may do", groups)
    number = Path("/etc/machine-id").read_text().strip()
    check(len(number) == 32, "a number of its own", number)
    controller, passages = Controller(NAME), Passages()
    begun = now()
    plug(controller, journal)
    passages.begin("the first note", controller, 69)
    passages.hold(0.5, 69)
    passages.end(controller, 69, prompt=False)
    figure("all of it", now() - begun, 10.0)


if __name__ == "__main__":
    main()
