"""A board in use is looked after: a boot partition, an upgrade, a step back, and taken off.

Runs inside the board, with a stick of a later version in ``/board/later`` and a FAT file system in
``/board/boot.img.gz``, as the host brought them. The environment that the stick makes is brought
too, as if there had been a step back: to make it here would take minutes.
"""

import gzip
import os
import shutil
import subprocess
import time
from pathlib import Path

from tests.boot.box import (
    NAME,
    NO_CUES,
    PLAIN,
    SETTINGS,
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

BOOT = Path("/boot/firmware")
OVERRIDE = BOOT / "partiald.toml"
REPORT = BOOT / "partiald-report.txt"
WAY = "Audio Output Volume Control"
"""What the emulated card calls its only switch and volume."""
SPEED = Path("/sys/devices/system/cpu/cpufreq")
QUIETLY = 50
"""A channel volume below that of power-on."""


def main() -> None:
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi", "loop", "vfat")
    journal.wait("ready: ")
    begun = now()
    save("polyphony = 7\n" + PLAIN)
    journal.wait("settings read again: 7 voices", begun)
    controller, passages = Controller(NAME), Passages()
    plug(controller, journal)
    controller.send(0xB0, 7, QUIETLY)
    plays("before all", controller, passages)
    closes_and_opens_the_mixer(journal)
    plays("once the mixer is open again", controller, passages)
    boot_partition(journal, controller, passages)
    timers = waiting_timers()
    check("apt-daily.timer" in timers, "maintenance would start by itself", timers)
    first = version()
    upgrades(journal, controller, passages)
    holds_and_frees(timers)
    steps_back(journal, controller, passages, first)
    is_taken_off(timers)


def plays(name: str, controller: Controller, passages: Passages) -> None:
    """Play one note, which has to be as loud as each time."""
    passages.begin(name, controller, 69)
    passages.hold(0.4, 69)
    passages.end(controller, 69, level=True, prompt=False)


def closes_and_opens_the_mixer(journal: Journal) -> None:
    """As somebody does with Debian's own mixer program."""
    first = now()
    for position, words in (("off", f"'{WAY}' is muted"), ("on", f"'{WAY}' is open again")):
        begun = now()
        told("amixer", "-q", "-c0", "cset", f"name={WAY} Playback Switch", position)
        line = journal.wait(words, begun)
        figure(f"the card switched {position}, until it is told", line.at_s - begun, 3.0)
        closed = status()["output"]["closed"]
        check(len(closed) == (position == "off"), "and the status says so", closed)
    time.sleep(3.0)
    check(journal.count(WAY, first) == 2, "once each", journal.count(WAY, first))


def boot_partition(journal: Journal, controller: Controller, passages: Passages) -> None:
    image = Path("/run/boot.img")
    with gzip.open("/board/boot.img.gz") as packed, image.open("wb") as file:
        shutil.copyfileobj(packed, file)
    BOOT.mkdir(parents=True, exist_ok=True)
    told("mount", "-t", "vfat", "-o", "loop", str(image), str(BOOT))
    overrides = f"polyphony = 5\n{NO_CUES}"
    begun = now()
    OVERRIDE.write_text(overrides)
    line = journal.wait("settings read again: 5 voices", begun)
    figure("a file on the boot partition, until it is in force", line.at_s - begun, 2.0)
    begun = now()
    OVERRIDE.write_text(overrides.replace("5", "five"))
    fault = journal.wait(f"{OVERRIDE}: ", begun)
    check(fault.priority <= 4, "a fault in it is named", fault.text)
    journal.wait("settings left as they were", begun)
    check(status()["polyphony"] == 5, "and changes nothing", status()["polyphony"])

    passages.begin("a report asked for while it sounds", controller, 69)
    passages.hold(0.4, 69)
    begun = now()
    OVERRIDE.write_text(overrides + "[report]\nwrite = true\n")
    journal.wait("settings read again: 5 voices", begun)
    wait("six seconds of sound", lambda: now() - begun > 6.0)
    check(not REPORT.exists(), "none is written while it sounds")
    check(sounding() == 1, "it still sounds", sounding())
    passages.hold(0.2, 69)
    passages.end(controller, 69, steady=True, level=True, prompt=False)
    figure("then silence, until it is written", wait("a report", REPORT.exists), 6.0)
    text = REPORT.read_text()
    for words in (f"partiald {version()}", "Python 3.", NAME, "up to 5 notes at once"):
        check(words in text, f"the report says '{words}'", text)
    leftover = [path.name for path in BOOT.iterdir() if path not in (OVERRIDE, REPORT)]
    check(not leftover, "nothing else is left there", leftover)


def version() -> str:
    return told("partiald", "--version").split()[1]


def upgrades(journal: Journal, controller: Controller, passages: Passages) -> None:
    told("tar", "-C", "/opt/partiald", "-xf", "/board/later/two.tar")
    begun = now()
    print(told("sh", "/board/later/install", "--hold-timers", "--governor"))
    figure("the upgrade", now() - begun, 60.0)
    came_back(journal, begun, "99.0")
    check("polyphony = 7" in SETTINGS.read_text(), "settings stay", SETTINGS.read_text())
    passages.life += 1
    plays("after the upgrade", controller, passages)


def steps_back(journal: Journal, controller: Controller, passages: Passages, first: str) -> None:
    begun = now()
    print(told("sh", "/opt/partiald/install", "--rollback"))
    figure("the step back", now() - begun, 60.0)
    came_back(journal, begun, first)
    passages.life += 1
    plays("after the step back", controller, passages)


def came_back(journal: Journal, begun: float, expected: str) -> None:
    stopped = journal.wait("stopped after", begun)
    ready = journal.wait("ready: 5 voices, sound 'sine'", begun)
    figure("of that, without an instrument", ready.at_s - stopped.at_s, 10.0)
    journal.wait(f"controller connected: '{NAME}'", begun)
    check(version() == expected, f"{expected} is in force", version())
    state = told("systemctl", "show", "-P", "ActiveState", "partiald").strip()
    check(state == "active", "the service is up", state)
    time.sleep(0.3)


def waiting_timers() -> set[str]:
    """Return the timers that will start something by themselves."""
    lines = told("systemctl", "list-timers", "--no-legend", "--plain").splitlines()
    return {word for line in lines for word in line.split() if word.endswith(".timer")}


def holds_and_frees(timers: set[str]) -> None:
    held = timers - waiting_timers()
    check("apt-daily.timer" in held, "maintenance does not start by itself", waiting_timers())
    for timer in sorted(held):
        check(enabled(timer) == "masked", f"{timer} is held", enabled(timer))
    check(enabled("partiald-governor.service") == "disabled", "no speed to set: nothing is set")
    # As on a board that has speeds to choose from.
    told("mount", "-t", "tmpfs", "none", str(SPEED))
    speed = SPEED / "policy0/scaling_governor"
    speed.parent.mkdir()
    speed.write_text("ondemand\n")
    told("sh", "/board/later/install", "--free-timers", "--governor", "--no-start")
    check(waiting_timers() == timers, "maintenance is as it was", waiting_timers())
    check(speed.read_text() == "performance\n", "the processor is at full speed", speed.read_text())
    check(enabled("partiald-governor.service") == "enabled", "and at every power-on")


def enabled(unit: str) -> str:
    done = subprocess.run(["systemctl", "is-enabled", unit], capture_output=True, text=True)
    return done.stdout.strip()


def is_taken_off(timers: set[str]) -> None:
    process = int(status()["process"])
    begun = now()
    print(told("sh", "/opt/partiald/uninstall"))
    figure("taken off", now() - begun, 60.0)
    check(not Path(f"/proc/{process}").exists(), "the process has ended")
    check(waiting_timers() == timers, "maintenance is as before", waiting_timers())
    # All of them: where none matches, some versions of systemd fail.
    units = told("systemctl", "list-unit-files", "--no-legend")
    check("partiald" not in units, "no unit is left", units)
    loaded = told("systemctl", "list-units", "--all", "--no-legend")
    check("partiald" not in loaded, "none is loaded", loaded)
    for table in ("passwd", "group"):
        told("getent", table, "partiald", code=2)
    check(shutil.which("partiald") is None, "no command is left")
    packages = told("dpkg-query", "-W", "-f", "${Package} ")
    check("portaudio" not in packages, "the packages that it brought are gone", packages)
    left = found()
    check(left == {str(OVERRIDE)}, "no file is left but the owner's on the boot partition", left)
    os.sync()


def found() -> set[str]:
    """Return every file of our name, but for the test's own."""
    elsewhere = ["-path", "/proc", "-o", "-path", "/sys", "-o", "-path", "/board"]
    rule = ["(", *elsewhere, ")", "-prune", "-o", "-iname", "*partiald*", "-print"]
    return set(told("find", "/", *rule).split())


if __name__ == "__main__":
    main()
