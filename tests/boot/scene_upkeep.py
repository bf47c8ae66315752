"""A board in use is looked after: upgraded from 0.2.0, taken back and forth, and purged.

Runs inside a board on which 0.2.0 is installed, by its own installer, with Debian's libraries that
the package needs, for to unpack those here would take minutes; with a stick of the package in
``/board/now``, of the same as version 99.0 in ``/board/later``, and a FAT file system in
``/board/boot.img.gz``, as the host brought them.
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
FIRST, LATER = "0.2.0", "99.0"
PRESENT = next(
    line.removeprefix("version: ").split("~")[0]
    for line in Path("/board/now/bundle.txt").read_text().splitlines()
    if line.startswith("version: ")
)
NO_MAINTENANCE = Path("/etc/partiald/no-maintenance")
KNOB = 21
LEARNED = Path("/var/lib/partiald/learned.toml")
MORE_THAN_FIT = range(60, 78, 2)


def main() -> None:
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi", "loop", "vfat")
    journal.wait("ready: ")
    check(version() == FIRST, f"{FIRST} is in force", version())
    begun = now()
    save("polyphony = 7\n" + PLAIN)
    journal.wait("settings read again: 7 voices", begun)
    controller, passages = Controller(NAME), Passages()
    plug(controller, journal)
    controller.send(0xB0, 7, QUIETLY)
    plays("before all", controller, passages)
    learned = learns(controller)
    history = loses_notes(controller, passages)
    timers = waiting_timers()
    check("apt-daily.timer" in timers, "maintenance would start by itself", timers)
    upgrades(journal)
    passages.life += 1
    plays("after the upgrade, as loud as before", controller, passages)
    is_kept(learned, history)
    closes_and_opens_the_mixer(journal)
    plays("once the mixer is open again", controller, passages)
    boot_partition(journal, controller, passages)
    holds_and_frees(timers)
    for way, expected, stick in (("back", PRESENT, "now"), ("forth", LATER, "later")):
        steps(way, journal, expected, f"/board/{stick}/install")
        passages.life += 1
        plays(f"after the step {way}", controller, passages)
        is_kept(learned, history)
    is_taken_off(timers)


def learns(controller: Controller) -> str:
    """Have a knob learned; return the file in which that is kept."""
    asking = subprocess.Popen(["partiald", "learn", "tilt"], stdout=subprocess.PIPE)
    value = 0
    while asking.poll() is None:
        controller.send(0xB0, KNOB, value)
        value = (value + 40) % 128
        time.sleep(0.1)
    check(asking.returncode == 0, "a knob is learned", asking.returncode)
    wait("what was learned is kept", LEARNED.exists, 10.0)
    return LEARNED.read_text()


def loses_notes(controller: Controller, passages: Passages) -> set[str]:
    """Strike more keys than have voices; return what is remembered of that."""
    passages.begin("two keys too many", controller, *MORE_THAN_FIT)
    passages.hold(0.6, *MORE_THAN_FIT[2:], gone=MORE_THAN_FIT[:2])
    passages.end(controller, *MORE_THAN_FIT, prompt=False)
    wait("both losses", lambda: "polyphony = " in told("partiald", "why"), 30.0)
    return lost()


def lost() -> set[str]:
    """Return what did not sound as played, but for when that was."""
    lines = told("partiald", "why", "--last", "100").splitlines()
    return {line.split(": ", 1)[1] for line in lines if "polyphony = " in line}


def is_kept(learned: str, history: set[str]) -> None:
    check("polyphony = 7" in SETTINGS.read_text(), "settings stay", SETTINGS.read_text())
    check(LEARNED.read_text() == learned, "the learned knob stays", LEARNED.read_text())
    in_force = [line for line in told("partiald", "check").splitlines() if str(LEARNED) in line]
    check(any(str(KNOB) in line for line in in_force), "and is in force", in_force)
    check(history and history <= lost(), "what was lost is remembered", (history, lost()))


def plays(name: str, controller: Controller, passages: Passages) -> None:
    """Play one note, which has to be as loud as each time."""
    passages.begin(name, controller, 69)
    passages.hold(0.4, 69)
    passages.end(controller, 69, level=True, prompt=False)


def closes_and_opens_the_mixer(journal: Journal) -> None:
    """As somebody does with Debian's own mixer program."""
    first = now()
    for position, words in (("off", f"'{WAY}' is muted"), ("on", f"'{WAY}' can be heard again")):
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
    """Return the version in force; 0.2.0 writes it to standard error."""
    done = subprocess.run(["partiald", "--version"], capture_output=True, text=True, check=True)
    name, number = (done.stdout or done.stderr).split()
    check(name == "partiald" and (done.stdout or number == FIRST), "a version", done)
    return number


def upgrades(journal: Journal) -> None:
    begun = now()
    print(told("sh", "/board/later/install", "--hold-timers", "--governor"))
    figure("the upgrade", now() - begun, 60.0)
    came_back(journal, begun, LATER, 7)


def steps(way: str, journal: Journal, expected: str, *command: str) -> None:
    begun = now()
    print(told("sh", *command))
    figure(f"the step {way}", now() - begun, 60.0)
    came_back(journal, begun, expected, 5)


def came_back(journal: Journal, begun: float, expected: str, polyphony: int) -> None:
    stopped = journal.wait("stopped after", begun)
    ready = journal.wait(f"ready: {polyphony} voices, sound 'sine'", begun)
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
    check(NO_MAINTENANCE.exists(), "for a file that holds it", NO_MAINTENANCE)
    told("systemctl", "start", *sorted(held))
    check(held <= timers - waiting_timers(), "not even when they are asked for", waiting_timers())
    check(enabled("partiald-governor.service") == "enabled", "full speed is asked for")
    met = told("systemctl", "show", "-P", "ConditionResult", "partiald-governor.service").strip()
    check(met == "no", "no speed to set: nothing is set", met)
    # As on a board that has speeds to choose from.
    told("mount", "-t", "tmpfs", "none", str(SPEED))
    speed = SPEED / "policy0/scaling_governor"
    speed.parent.mkdir()
    speed.write_text("ondemand\n")
    told("sh", "/board/later/install", "--free-timers", "--governor")
    check(waiting_timers() == timers, "maintenance is as it was", waiting_timers())
    check(speed.read_text() == "performance\n", "the processor is at full speed", speed.read_text())


def enabled(unit: str) -> str:
    done = subprocess.run(["systemctl", "is-enabled", unit], capture_output=True, text=True)
    return done.stdout.strip()


def is_taken_off(timers: set[str]) -> None:
    process = int(status()["process"])
    begun = now()
    told("apt-get", "-qq", "-y", "purge", "partiald")
    figure("purged", now() - begun, 60.0)
    check(not Path(f"/proc/{process}").exists(), "the process has ended")
    check(waiting_timers() == timers, "maintenance is as before", waiting_timers())
    # All of them: where none matches, some versions of systemd fail.
    units = told("systemctl", "list-unit-files", "--no-legend")
    check("partiald" not in units, "no unit is left", units)
    loaded = told("systemctl", "list-units", "--all", "--no-legend")
    check("partiald" not in loaded, "none is loaded", loaded)
    check(shutil.which("partiald") is None, "no command is left")
    left = found()
    check(left == {str(OVERRIDE)}, "no file is left but the owner's on the boot partition", left)
    os.sync()


def found() -> set[str]:
    """Return every file of our name, but for the test's own."""
    elsewhere = ["-path", "/proc", "-o", "-path", "/sys", "-o", "-path", "/board"]
    elsewhere += ["-o", "-path", "/var/log", "-o", "-path", "/var/cache"]
    rule = ["(", *elsewhere, ")", "-prune", "-o", "-iname", "*partiald*", "-print"]
    return set(told("find", "/", *rule).split())


if __name__ == "__main__":
    main()
