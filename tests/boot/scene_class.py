"""One board of a class: its card was made from a table, and it is upgraded from the class's stick.

Runs inside the board that was started from that card, with its name in the table as the argument;
the stick, with partiald as version 99.0, is ``/board/later``.
"""

import sys
from pathlib import Path

from tests.boot.box import (
    NAME,
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
TABLE = {"organ1": (7, "anna"), "organ2": (6, "hirundo"), "organ3": (5, "")}
"""The polyphony in each board's settings, and its user, as tests/install/card has them."""
LATER = "99.0"


def main() -> None:
    name = sys.argv[1]
    polyphony, user = TABLE[name]
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi")
    journal.wait(f"ready: {polyphony} voices, sound 'sine'", limit_s=60.0)
    is_itself(name, polyphony, user)
    settings = BOOT.read_text()
    controller, passages = Controller(NAME), Passages()
    plug(controller, journal)
    plays(f"{name}, before the upgrade", controller, passages)

    begun = now()
    print(told("sh", "/board/later/install"))
    figure("the upgrade", now() - begun, 120.0)
    stopped = journal.wait("stopped after", begun)
    ready = journal.wait(f"ready: {polyphony} voices, sound 'sine'", begun)
    figure("of that, without an instrument", ready.at_s - stopped.at_s, 10.0)
    journal.wait(f"controller connected: '{NAME}'", begun)
    passages.life += 1
    version = told("partiald", "--version").strip()
    check(version == f"partiald {LATER}", "the later version is in force", version)
    is_itself(name, polyphony, user)
    check(BOOT.read_text() == settings, "its settings are untouched", BOOT.read_text())
    plays(f"{name}, after the upgrade", controller, passages)


def is_itself(name: str, polyphony: int, user: str) -> None:
    found = told("uname", "-n").strip()
    check(found == name, f"its name is {name}", found)
    check(status()["polyphony"] == polyphony, "its own settings", status()["polyphony"])
    if user:
        groups = told("id", "-nG", user).split()
        check({"partiald", "sudo"} <= set(groups), f"what {user} may do", groups)
    others = {each for _, each in TABLE.values() if each and each != user}
    known = {line.split(":")[0] for line in Path("/etc/passwd").read_text().splitlines()}
    check(not others & known, "no user of another board", others & known)


def plays(name: str, controller: Controller, passages: Passages) -> None:
    passages.begin(name, controller, 69)
    passages.hold(0.5, 69)
    passages.end(controller, 69, prompt=False)


if __name__ == "__main__":
    main()
