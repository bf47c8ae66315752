"""A sound is shaped by a knob, by keys as commands, and on the page; it is kept, and forgotten.

Runs inside the board. The host holds each passage's spectrum against what was shaped.
"""

import subprocess
import time
from pathlib import Path

from tests.boot.box import (
    NAME,
    Journal,
    Passages,
    accounts,
    check,
    figure,
    now,
    plug,
    save,
    status,
    told,
    wait,
)
from tests.boot.controller import Controller

KNOB, PEDAL, KEY = 21, 66, 57
KEEP, OCTAVE_UP, OCTAVE_DOWN, FORGET = 38, 40, 41, 43
SETTINGS = f"""
[cues]
ready = false
controller = false
settings = false
board = false
gesture = false
[sound]
name = "flat64"
programs = ["flat64"]
[level]
volume_db = 6
[room]
level_db = -80
[gestures]
held = "control {PEDAL}"
[gestures.keys]
{KEEP} = "keep"
{OCTAVE_UP} = "octave up"
{OCTAVE_DOWN} = "octave down"
{FORGET} = "forget"
"""
KEPT = Path("/var/lib/partiald/sounds/flat64.toml")
LEVEL = {2: 0.0, 3: 0.0, 5: 0.0}
"""Partials beside the key's own, as the sound's file has them: in dB."""
GONE = -40.0
"""And below: what is as quiet as that is not measured any further."""


def main() -> None:
    journal = Journal()
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi")
    journal.wait("ready: ")
    begun = now()
    save(SETTINGS)
    journal.wait("settings read again: 16 voices, sound 'flat64'", begun)
    controller, passages = Controller(NAME), Passages()
    plug(controller, journal)
    time.sleep(3.0)  # what it sends at first only tells where it is
    knob(journal, controller, passages)
    gesture(journal, controller, passages)
    page(controller, passages)
    keep(journal, controller, passages)
    restart(journal, controller, passages)
    forget(journal, controller, passages)
    notes = status()["notes"]
    check(notes["received"] == sum(notes["accounts"].values()), "every note has an account", notes)
    check(accounts()["sounding"] == 0, "and none hangs", notes)


def command(controller: Controller, *keys: int) -> None:
    """Hold the pedal and strike keys."""
    controller.send(0xB0, PEDAL, 127)
    for key in keys:
        controller.send(0x90, key, 64)
        controller.send(0x80, key, 64)
    controller.send(0xB0, PEDAL, 0)


def knob(journal: Journal, controller: Controller, passages: Passages) -> None:
    """One is learned, and takes the second partial away from a held note."""
    begun = now()
    asking = subprocess.Popen(["partiald", "learn", "partial", "2"], stdout=subprocess.PIPE)
    value = 0
    while asking.poll() is None:
        controller.send(0xB0, KNOB, value)
        value = (value + 40) % 128
        time.sleep(0.1)
    journal.wait(f"learned: control {KNOB} changes partial 2", begun)
    for value in (0, 127):  # from wherever it was left, it is where it means what it says
        controller.send(0xB0, KNOB, value)
    passages.begin("a knob", controller, KEY)
    passages.hold(0.8, KEY, spectrum=LEVEL | {2: 6.0})
    for value in range(120, -1, -8):
        controller.send(0xB0, KNOB, value)
        time.sleep(0.01)
    passages.hold(0.8, KEY, spectrum=LEVEL | {2: GONE})
    passages.end(controller, KEY, prompt=False)


def gesture(journal: Journal, controller: Controller, passages: Passages) -> None:
    begun = now()
    command(controller, OCTAVE_UP)
    line = journal.wait("gesture: octave up: +1", begun)
    figure("a key as a command, until it is logged", line.at_s - begun, 1.0)
    passages.begin("an octave up", controller, KEY)
    passages.hold(0.8, KEY + 12, spectrum=LEVEL | {2: GONE})
    passages.end(controller, KEY, prompt=False)
    command(controller, OCTAVE_DOWN)
    journal.wait("gesture: octave down: +0", begun)


def page(controller: Controller, passages: Passages) -> None:
    """A partial is moved on the page, line by line, while a note is held, and goes back."""
    talk = subprocess.Popen(
        ["partiald", "shape", "--plain", "flat64"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert talk.stdin is not None
    assert talk.stdout is not None

    def say(words: str) -> str:
        assert talk.stdin is not None
        assert talk.stdout is not None
        talk.stdin.write(f"{words}\n")
        talk.stdin.flush()
        return talk.stdout.readline().strip()

    greeting = talk.stdout.readline()
    check("flat64: " in greeting, "the page is there, line by line", greeting)
    passages.begin("the page", controller, KEY)
    passages.hold(0.8, KEY, spectrum=LEVEL | {2: GONE})
    before = float(say("partial 3").split()[-2])
    answer = say(f"partial 3 {before - 20.0:.1f}")
    check("partial 3" in answer, "a partial is moved", answer)
    time.sleep(1.0)
    passages.hold(0.8, KEY, spectrum=LEVEL | {2: GONE, 3: -20.0})
    say("undo")
    time.sleep(1.0)
    passages.hold(0.8, KEY, spectrum=LEVEL | {2: GONE})
    passages.end(controller, KEY, prompt=False)
    talk.stdin.write("quit\nquit\n")
    talk.stdin.close()
    check(talk.wait(20) == 0, "the page is left")


def keep(journal: Journal, controller: Controller, passages: Passages) -> None:
    """A key keeps the sound as the knob has it; the held note does not change by that."""
    passages.begin("kept by a key", controller, KEY)
    passages.hold(0.8, KEY, spectrum=LEVEL | {2: GONE})
    begun = now()
    command(controller, KEEP)
    journal.wait("kept: the sound 'flat64'", begun)
    took = wait("its file", KEPT.exists, 10.0)
    print(f"    after {took:.1f} s")
    journal.wait("settings read again", begun)
    time.sleep(0.5)
    passages.hold(0.8, KEY, spectrum=LEVEL | {2: GONE})
    passages.end(controller, KEY, prompt=False)
    check(KEPT.owner() == "partiald", "by the service's own user", KEPT.owner())


def restart(journal: Journal, controller: Controller, passages: Passages) -> None:
    begun = now()
    told("systemctl", "restart", "partiald")
    journal.wait("ready: ", begun)
    journal.wait("connected: ", begun)
    time.sleep(1.0)
    passages.life += 1
    passages.begin("after a restart", controller, KEY)
    passages.hold(0.8, KEY, spectrum=LEVEL | {2: GONE})
    passages.end(controller, KEY, prompt=False)


def forget(journal: Journal, controller: Controller, passages: Passages) -> None:
    """Struck three times in a row, and not before."""
    begun = now()
    command(controller, FORGET, FORGET)
    journal.wait("gesture: forget: 1 more to go", begun)
    check(KEPT.exists(), "twice is not enough")
    command(controller, FORGET, FORGET, FORGET)
    journal.wait("forgotten: ", begun)
    wait("the kept sound gone", lambda: not KEPT.exists(), 10.0)
    journal.wait("settings read again", begun)
    time.sleep(1.0)
    passages.begin("as installed", controller, KEY)
    passages.hold(0.8, KEY, spectrum=LEVEL)
    passages.end(controller, KEY, prompt=False)
    look = told("partiald", "forget", "--dry-run")
    check("Nothing was learned or kept" in look, "nothing is left to forget", look)


if __name__ == "__main__":
    main()
