"""Notes that come over a network, through the bridge and by the unit of docs/network.md.

Runs inside the board, once systemd has started all it starts. The other machine is the board as
well: a keyboard, and the bridge's other end.
"""

import re
import subprocess
import time
from pathlib import Path

from tests.boot.box import (
    NAME,
    PLAIN,
    Journal,
    Passages,
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

BRIDGE, FAR = "Stage Bridge", "Net Client"
PAGE = Path("/board/network.md")
UNIT = Path("/etc/systemd/system/notes.service")


def main() -> None:
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi")
    journal.wait("ready: ")
    begun = now()
    save(PLAIN)
    journal.wait("settings read again", begun)
    page = PAGE.read_text()
    unit = re.search(r"```ini\n(.*?)```", page, re.DOTALL)
    settings = re.search(r"```toml\n(.*?)```", page, re.DOTALL)
    assert unit is not None
    assert settings is not None
    UNIT.write_text(unit[1])
    told("systemctl", "daemon-reload")
    told("systemctl", "start", "notes")
    wait("the bridge's port", lambda: client(BRIDGE))
    keys, passages = Controller(NAME), Passages()
    plug(keys, journal)
    only_what_is_meant(keys, passages)
    begun = now()
    save(PLAIN + settings[1])
    journal.wait("settings read again", begun)
    wait("the bridge alone is heard", lambda: heard() == [BRIDGE])
    cut(journal, keys, passages)
    replaced(journal, keys, passages)
    worst = told("journalctl", "--boot", "--unit=partiald", "--priority=warning", "--output=cat")
    print(f"warnings of the whole scene:\n{worst}")


def only_what_is_meant(keys: Controller, passages: Passages) -> None:
    """By default what is plugged in is played, and no program."""
    far = connect()
    devices = told("partiald", "devices")
    print(devices)
    for name in (BRIDGE, FAR):
        check(f"-      {name}" in devices, f"{name} is listed, and not played", devices)
    check("a program: only played by name" in devices, "it says why")
    check(heard() == [NAME], "only what is plugged in is heard", heard())
    before = status()["notes"]["received"]
    passages.begin("by the keyboard's own plug", keys, 69)
    passages.hold(0.4, 69)
    passages.end(keys, 69)
    received = status()["notes"]["received"] - before
    check(received == 1, "a note that comes both ways is one", received)
    far.kill()
    far.wait()


def cut(journal: Journal, keys: Controller, passages: Passages) -> None:
    """The connection ends under a held note; the unit brings the bridge back."""
    wait("the bridge waits again", lambda: client(BRIDGE) and heard() == [BRIDGE])
    far = connect()
    passages.begin("over the network", keys, 69)
    passages.hold(0.4, 69)
    check(sounding() == 1, "a note over the network sounds", sounding())
    begun = now()
    far.kill()
    line = journal.wait(f"controller lost: '{BRIDGE}'; 1 held note released", begun)
    figure("the connection cut, until its note is released", line.at_s - begun, 1.0)
    passages.end(None, prompt=False)
    far.wait()
    line = journal.wait("controller reconnected", begun)
    figure("the connection cut, until the bridge is heard again", line.at_s - begun, 4.0)
    keys.send(0x80, 69, 0)
    far = connect()
    passages.begin("over the next connection", keys, 72)
    passages.hold(0.4, 72)
    passages.end(keys, 72, prompt=False)
    far.kill()
    far.wait()


def replaced(journal: Journal, keys: Controller, passages: Passages) -> None:
    """Another bridge under the same number is not taken for the one before."""
    begun = now()
    journal.wait("controller reconnected", begun - 0.5)
    wait("the bridge waits", lambda: client(BRIDGE) and heard() == [BRIDGE])
    numbers = []
    for turn in range(3):
        numbers.append(client(BRIDGE))
        begun = now()
        told("systemctl", "kill", "--signal=KILL", "notes")
        told("systemctl", "restart", "notes")
        wait("the next bridge", lambda: client(BRIDGE))
        took = now() - begun
        numbers.append(client(BRIDGE))
        journal.wait("controller reconnected", begun)
        far = connect()
        passages.begin(f"after the bridge was replaced, {turn + 1}", keys, 69)
        passages.hold(0.3, 69)
        passages.end(keys, 69, prompt=False)
        print(f"    client {numbers[-2]} replaced by {numbers[-1]} in {took:.2f} s")
        far.kill()
        far.wait()
        journal.wait("controller reconnected", now())
    check(len(set(numbers)) == 1, "each had the number of the one before", numbers)


def connect() -> "subprocess.Popen[bytes]":
    """Start the bridge's other end, and send it what the keyboard plays."""
    far = subprocess.Popen(["aseqnet", "-p", "40002", "127.0.0.1"], stdout=subprocess.DEVNULL)
    wait("the other end", lambda: client(FAR))
    told("aconnect", NAME, FAR)
    time.sleep(0.3)
    return far


def client(name: str) -> str:
    """Return the number of a client of the sequencer; empty: it is not there."""
    clients = Path("/proc/asound/seq/clients").read_text()
    found = re.search(rf'^Client +(\d+) : "{name}"', clients, re.MULTILINE)
    return found[1] if found else ""


def heard() -> list[str]:
    return sorted(each["name"] for each in status()["controllers"])


if __name__ == "__main__":
    main()
