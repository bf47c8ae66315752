"""Controllers of many kinds at one board: alike, with two ports, flooding, falling silent.

Runs inside the board, once systemd has started all it starts.
"""

import time

from tests.boot.box import (
    NAME,
    PLAIN,
    Journal,
    Passages,
    accounts,
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

PEDAL = 64


def heard() -> list[str]:
    return sorted(each["name"] for each in status()["controllers"])


def main() -> None:
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi", "snd-seq-dummy")
    journal.wait("ready: ")
    begun = now()
    save(PLAIN)
    journal.wait("settings read again", begun)
    passages = Passages()
    two_ports(journal, passages)
    by_name(journal, passages)
    knobs_dumped(journal, passages)
    flood(journal, passages)
    falls_silent(journal, passages)
    lines = [e for e in journal.lines if "Market Stall Pair" in e.text]
    check(len(lines) == 2, "a device of two ports comes in one line and goes in one", lines)


def two_ports(journal: Journal, passages: Passages) -> None:
    """A device has one set of channels, whichever of its ports a message comes by."""
    pair = Controller("Market Stall Pair", ports=2)
    plug(pair, journal)
    wait("both its ports", lambda: len(subscribed("Market Stall Pair")) == 2)
    check(heard() == ["Market Stall Pair"], "two ports are one controller", heard())
    passages.begin("held by the other port's pedal", pair, 69, port=1)
    pair.send(0xB0, PEDAL, 127, port=0)
    time.sleep(0.1)
    pair.send(0x80, 69, 0, port=1)
    passages.hold(0.4, 69)
    check(sounding() == 1, "the pedal at one port holds the other's note", sounding())
    pair.send(0xB0, PEDAL, 0, port=0)
    passages.end(pair)
    begun = now()
    pair.unplug()
    line = journal.wait("controller lost: 'Market Stall Pair'", begun)
    figure("two ports out, until that is told", line.at_s - begun, 1.0)


def subscribed(name: str) -> list[str]:
    """Return the ports of a client that something listens to."""
    ports = []
    inside = False
    with open("/proc/asound/seq/clients") as clients:
        for line in clients:
            if line.startswith("Client"):
                inside = f'"{name}"' in line
            elif inside and "Connecting To" in line:
                ports.append(line)
    return ports


def by_name(journal: Journal, passages: Passages) -> None:
    """All real controllers, or those that are named; never a through port."""
    bike = Controller(NAME, serial="first", socket_number=0)
    again = Controller(NAME, serial="second", socket_number=1)
    bass = Controller("Foot Bass", serial="third", socket_number=2)
    for each in (bike, again, bass):
        plug(each, journal)
    check(heard() == [NAME, NAME, "Foot Bass"], "every real controller is heard", heard())
    told_devices = told("partiald", "devices")
    check("through" in told_devices, "a through port is seen, and left alone", told_devices)
    check("number second" in told_devices, "two alike are told apart", told_devices)
    print(told_devices)
    before = accounts()
    for each, key in ((bike, 60), (again, 60), (bass, 36)):
        each.send(0x90, key, 100)
    wait("all three", lambda: sounding() == 3)
    bike.send(0x80, 60, 0)
    wait("two", lambda: accounts()["released"] == before["released"] + 1)
    time.sleep(0.2)
    check(sounding() == 2, "the same key of two alike is two keys", sounding())
    begun = now()
    save(PLAIN + '[controller]\nname = "bike KEYS"\n')
    journal.wait("settings read again", begun)
    wait("only those named", lambda: heard() == [NAME, NAME])
    again.send(0x80, 60, 0)
    passages.unlooked("two alike")
    begun = now()
    save(PLAIN + f'[controller]\nname = "{NAME}"\nserial = "SECOND"\n')
    journal.wait("settings read again", begun)
    wait("only the one of that number", lambda: heard() == [NAME])
    bike.send(0x90, 62, 100)
    again.send(0x90, 64, 100)
    wait("its note", lambda: sounding() == 1)
    time.sleep(0.2)
    check(sounding() == 1, "of two alike the one of that serial number is heard", sounding())
    again.send(0x80, 64, 0)
    bike.send(0x80, 62, 0)
    passages.unlooked("by serial number")
    # What it has sent to nobody waits in it, and would be heard when it is listened to again.
    bike.unplug()
    begun = now()
    save(PLAIN)
    journal.wait("settings read again", begun)
    wait("all that are there", lambda: heard() == [NAME, "Foot Bass"])
    for each in (again, bass):
        each.unplug()
    wait("none", lambda: not heard())


def knobs_dumped(journal: Journal, passages: Passages) -> None:
    """A controller that tells where its knobs stand when it is plugged in starts no note."""
    knobs = Controller("Knob Box", ports=1)
    knobs.plug()
    begun = now()
    while not journal.count("connected: 'Knob Box'", begun):
        for control in range(1, 64):
            knobs.send(0xB0, control, 0 if control == PEDAL else 100)
        time.sleep(0.05)
    for control in range(1, 64):
        knobs.send(0xB0, control, 100)
    time.sleep(0.2)
    check(sounding() == 0, "knobs alone are silent", sounding())
    knobs.send(0xB0, 1, 0)  # no vibrato
    passages.begin("after the knobs", knobs, 69)
    passages.hold(0.3, 69)
    passages.end(knobs, 69, prompt=False)  # one of them makes it begin more slowly
    knobs.unplug()
    wait("none", lambda: not heard())


def flood(journal: Journal, passages: Passages) -> None:
    """Ten thousand messages a second: more than such a board can take, and it lives through it."""
    quick = Controller("Stuck Wheel")
    plug(quick, journal)
    before = status()
    quick.send(0x90, 69, 100)
    begun = now()
    sent = 0
    while (due := round((now() - begun) * 10_000)) < 5_000:
        quick.pour((0xE0, number & 127, 64) for number in range(sent, due))
        sent = max(sent, due)
        time.sleep(0.005)
    time.sleep(0.3)
    quick.send(0xE0, 0, 64)
    quick.send(0x80, 69, 0)
    passages.unlooked("the flood")
    after = status()
    messages = after["messages"] - before["messages"]
    print(f"    {sent} messages in half a second, {messages} of them and three more were received")
    check(after["process"] == before["process"], "a flood does not end the keeper")
    received = after["notes"]["received"] - before["notes"]["received"]
    check(received == 1, "one note received, and released", received)
    passages.begin("after the flood", quick, 69)
    passages.hold(0.3, 69)
    passages.end(quick, 69, steady=True)
    quick.unplug()
    wait("none", lambda: not heard())


def falls_silent(journal: Journal, passages: Passages) -> None:
    """Who sends active sensing and stops has lost its cable (MIDI 1.0, active sensing, 300 ms)."""
    keys = Controller(NAME)
    plug(keys, journal)
    for _ in range(5):
        keys.send(0xFE)
        time.sleep(0.1)
    keys.send(0x90, 69, 100)
    for _ in range(5):
        keys.send(0xFE)
        time.sleep(0.1)
    check(sounding() == 1, "its note sounds while it says that it is there", sounding())
    silent = wait("the release", lambda: sounding() == 0, 2.0)
    passages.unlooked("held until the silence")
    figure("active sensing stops, until the note is released", silent, 1.0)
    keys.unplug()


if __name__ == "__main__":
    main()
