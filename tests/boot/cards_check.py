"""Inside a virtual board with two USB sound cards: mixer, holder, change of card, serial numbers.

``python3 -m tests.boot.cards_check``; the second card's WAV file is the host's to look at. Every
wait is for a condition. Ends with 1 at the first thing that is not as it should be.
"""

import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.boot.controller import Controller
from tests.boot.guest import LOG, NAME, said, wait

SETTINGS = Path("/tmp/settings.toml")
WAY = "Audio Output Volume Control"
REPLUGS = 40


def run(*command: str) -> str:
    return subprocess.run(command, capture_output=True, text=True, check=False).stdout


def check(what: str, holds: object) -> None:
    print(f"{'as it should be' if holds else 'FAILED'}: {what}", flush=True)
    if not holds:
        print(LOG.read_text() if LOG.exists() else "")
        sys.exit(1)


def second_card(authorized: bool, number: int = 1) -> None:
    """Pull the second sound card, or put it back: it takes the lowest number that is free."""
    cards = [
        path.parent
        for path in Path("/sys/bus/usb/devices").glob("*/product")
        if "QEMU USB Audio" in path.read_text()
    ]
    (sorted(cards)[-1] / "authorized").write_text(str(int(authorized)))
    wait("the card", lambda: Path(f"/dev/snd/pcmC{number}D0p").exists() == authorized)


def daemon(settings: str) -> subprocess.Popen[bytes]:
    SETTINGS.write_text(settings)
    command = [sys.executable, "-m", "daemon", "--settings", str(SETTINGS), "run"]
    return subprocess.Popen(command, stderr=LOG.open("w"), env={**os.environ})


def stop(process: subprocess.Popen[bytes]) -> None:
    process.terminate()
    check("the daemon ends with 0", process.wait(20) == 0)
    print(LOG.read_text())


def partiald(*words: str) -> str:
    return run(sys.executable, "-m", "daemon", "--settings", str(SETTINGS), *words)


def status() -> dict[str, Any]:
    # Here: it brings pydantic, which takes its time on a board of this pace.
    from daemon.control.ask import ask

    return ask({"ask": "status"})


def written(process: int) -> int:
    """Return the bytes that a process and its descendants have written to files so far."""
    figures = dict(
        line.split(": ") for line in Path(f"/proc/{process}/io").read_text().splitlines()
    )
    children = Path(f"/proc/{process}/task/{process}/children").read_text().split()
    return int(figures["wchar"]) + sum(written(int(child)) for child in children)


def mixer() -> None:
    """Mute, zero and full, as set by Debian's own mixer program."""
    run("amixer", "-c0", "cset", f"name={WAY} Playback Switch", "off")
    run("amixer", "-c0", "cset", f"name={WAY} Playback Volume", "256")
    process = daemon('[sound]\nname = "sine"\n')
    wait("ready", said("ready:"))
    check("a muted card is opened", f"'{WAY}' is muted; opened at -20 dB" in LOG.read_text())
    contents = run("amixer", "-c0", "contents")
    check("the mixer says so too", "values=on" in contents and "values=203,203" in contents)
    stop(process)
    run("amixer", "-c0", "cset", f"name={WAY} Playback Volume", "0")
    seen = partiald("devices")
    check("devices tells a volume at zero", f"'{WAY}' stands at zero" in seen)
    process = daemon("")
    wait("ready", said("ready:"))
    check("it is raised", "values=203,203" in run("amixer", "-c0", "contents"))
    stop(process)
    run("amixer", "-c0", "cset", f"name={WAY} Playback Volume", "256")
    check("devices tells full", "stands at full (+8 dB)" in partiald("devices"))
    run("amixer", "-c0", "cset", f"name={WAY} Playback Volume", "240")


def holder() -> None:
    """A card that another program plays on."""
    command = ["aplay", "-q", "-Dhw:0,0", "-fS16_LE", "-c2", "-r48000", "/dev/zero"]
    other = subprocess.Popen(command)
    wait("another player", lambda: "RUNNING" in run("cat", "/proc/asound/card0/pcm0p/sub0/status"))
    held = f"held by aplay (process {other.pid})"
    seen = partiald("devices")
    print(seen)
    check("devices names the holder", held in seen)
    process = daemon("")
    wait("the holder in the log", said(held))
    other.terminate()
    other.wait()
    took = wait("the card's turn", said("ready:"))
    print(f"the card was taken {took:.2f} s after it was let go")
    stop(process)


def change_over() -> None:
    """The card named comes while another one plays."""
    process = daemon('[audio]\ndevice = "hw:2,0"\n[sound]\nname = "sine"\n')
    wait("ready", said("ready:"))
    check("a name that no card has is told", "no sound card matches 'hw:2,0'" in LOG.read_text())
    controller = Controller(NAME)
    controller.plug()
    wait("the controller", said("controller connected:"))
    controller.send(0xB0, 7, 127)
    controller.send(0x90, 69, 100)
    wait("the note", lambda: status()["voices"]["now"] == 1)
    before = written(process.pid) - LOG.stat().st_size  # a journal in memory on a board
    for key in range(60, 80):
        controller.send(0xC0, key % 8)
        controller.send(0x90, key, 100)
        time.sleep(0.05)
        controller.send(0x80, key, 0)
    check(
        "no byte is written to any file while it plays",
        written(process.pid) - LOG.stat().st_size == before,
    )
    second_card(authorized=True, number=2)
    took = wait("the other card", said("sounding again after"))
    print(f"changed over {took:.2f} s after the card was there")
    controller.send(0x90, 69, 100)
    time.sleep(0.7)
    check("the card named plays", "hw:2,0" in status()["output"]["card"]["name"])
    stop(process)
    controller.unplug()


def controllers() -> None:
    """Two controllers alike, one of them wanted; then one that is pulled again and again."""
    first = Controller(NAME, serial="A-1", socket_number=0, ports=2)
    second = Controller(NAME, serial="B-2", socket_number=1)
    process = daemon('[controller]\nname = "BIKE keys"\nserial = "b-2"\n')
    first.plug()
    wait("the first", lambda: list(Path("/dev/snd").glob("midiC*")))
    second.plug()
    wait("the second", said("controller connected:"))
    first.send(0x90, 60, 100)
    second.send(0x90, 64, 100)
    wait("a note", lambda: status()["notes"]["received"] >= 1)
    check("only the wanted one is heard", status()["notes"]["received"] == 1)
    print(partiald("devices"))
    SETTINGS.write_text('[controller]\nname = "BIKE keys"\n')
    wait("both", lambda: len(status()["controllers"]) == 2)
    first.send(0x90, 60, 100, port=0)
    first.send(0x90, 61, 100, port=1)
    wait("both ports", lambda: status()["notes"]["received"] == 3)
    check("two ports are one controller", len(status()["controllers"]) == 2)
    took = []
    for turn in range(REPLUGS):
        second.unplug()
        wait("the loss", said("controller lost:", turn + 1))
        second.plug()
        wait("the port", lambda: SEQUENCER.read_text().count(f'"{NAME}" [') == 2)
        took.append(wait("the controller", said("controller reconnected:", turn + 1)))
    took.sort()
    print(
        f"heard after the port's coming: half {took[REPLUGS // 2]:.3f} s, at most {took[-1]:.3f} s"
    )
    check("each within a second", took[-1] < 1.0)
    stop(process)


SEQUENCER = Path("/proc/asound/seq/clients")

if __name__ == "__main__":
    subprocess.run(["modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi"], check=True)
    wait("two sound cards", lambda: Path("/dev/snd/pcmC1D0p").exists())
    print(partiald("devices"))
    second_card(authorized=False)
    mixer()
    holder()
    change_over()
    controllers()
