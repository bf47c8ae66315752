"""Inside a virtual board: the real daemon, an emulated controller, a captured sound card.

``python3 guest.py delay FRAMES`` strikes notes at random moments and prints when;
``python3 guest.py hold FRAMES`` holds sixteen notes of 32 partials for a minute;
``python3 guest.py stall FRAMES`` does so for a while and stops the player for 0.2 s in between;
``python3 guest.py replug FRAMES`` pulls the controller, then the card, and puts both back;
``python3 guest.py disturb FRAMES`` holds them while settings are saved, the status is asked for and
followed, a second controller is pulled and put back, and the log storms;
``python3 guest.py start FRAMES`` starts the daemon, beside the bare import of its libraries.
Every wait is for a condition. Times are the board's monotonic clock.
"""

import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.boot.controller import Controller

LOG = Path("/tmp/daemon.log")
SETTINGS = Path("/tmp/settings.toml")
NAME = "Cargo Bike Keys 25"
SECOND = "Market Stall Pads 8"
KEY = 84
MOD_WHEEL = 1
HELD = range(36, 68, 2)
HELD_SOUND = Path("/etc/partiald/sounds/thirty-two.toml")
"""What is held: as many partials as are claimed, and nothing else."""
HELD_TEXT = """
title = "Thirty-two"
about = "Thirty-two harmonics for a measurement."
family = "measuring"
level_db = -42.0
[partials]
count = 32
phase = "low-crest"
[envelope]
attack_s = 0.01
release_s = 0.2
"""
HOLD_S = 60.0
DISTURB_S = 10.0
STORM_LINES = 50
"""So many faults has each settings file of the log's storm; each one is a line."""
LIBRARIES = "import numpy, mido, rtmidi, sounddevice, pydantic"
MOST_ON_ONE_CORE = 2.0
# `import pydantic` alone leaves nearly all of it for later.
IN_EARNEST = f"{LIBRARIES}; from pydantic import BaseModel, Field"


def wait(what: str, condition: Callable[[], object], limit_s: float = 20.0) -> float:
    """Wait until something holds; return how long it took."""
    start = time.monotonic()
    while not condition():
        if time.monotonic() - start > limit_s:
            print(f"FAILED: {what} within {limit_s:g} s\n{LOG.read_text() if LOG.exists() else ''}")
            sys.exit(1)
        time.sleep(0.005)
    return time.monotonic() - start


def said(words: str, times: int = 1) -> Callable[[], bool]:
    return lambda: LOG.read_text().count(words) >= times


def stream_began() -> float | None:
    """Return when the sound card's stream began; None while none runs."""
    for status in Path("/proc/asound").glob("card*/pcm*p/sub0/status"):
        fields = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
        if "RUNNING" in fields.get("state", ""):
            return float(fields["trigger_time"])
    return None


def player_of(daemon: subprocess.Popen[bytes]) -> int:
    """Return the process that plays: the daemon's youngest descendant."""
    process = daemon.pid
    while children := Path(f"/proc/{process}/task/{process}/children").read_text().split():
        process = int(children[-1])
    return process


def save(sound: str, frames: int, polyphony: int, volume_db: float = 0.0) -> None:
    """Save the daemon's settings as an editor does."""
    draft = SETTINGS.with_suffix(".draft")
    draft.write_text(
        f'polyphony = {polyphony}\n[audio]\nblock_frames = {frames}\n[sound]\nname = "{sound}"\n'
        f"[level]\nvolume_db = {volume_db}\n"
        "[cues]\nready = false\ncontroller = false\n"  # an onset that no key is struck for
    )
    draft.rename(SETTINGS)


def start(sound: str, frames: int, polyphony: int) -> subprocess.Popen[bytes]:
    """Start the daemon and wait until it can play."""
    subprocess.run(["modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi"], check=True)
    took = wait("a sound card", lambda: list(Path("/dev/snd").glob("pcmC*p")))
    print(f"sound card there after {took:.2f} s")
    HELD_SOUND.parent.mkdir(parents=True, exist_ok=True)
    HELD_SOUND.write_text(HELD_TEXT)
    save(sound, frames, polyphony)
    command = [sys.executable, "-m", "daemon", "--settings", str(SETTINGS), "run"]
    begun = time.monotonic()
    daemon = subprocess.Popen(command, stderr=LOG.open("w"), env={**os.environ})
    wait("ready", said("ready:"))
    print(f"daemon ready after {time.monotonic() - begun:.2f} s")
    wait("the stream", stream_began)
    print(f"stream began {(stream_began() or 0.0) - begun:.2f} s after the daemon's start")
    return daemon


def stop(daemon: subprocess.Popen[bytes]) -> None:
    daemon.send_signal(signal.SIGTERM)
    print(f"daemon ended with {daemon.wait(20)}; its log:\n{LOG.read_text()}", flush=True)


def plugged(controller: Controller, times: int = 1) -> None:
    controller.plug()
    words = "controller connected:" if times == 1 else "controller reconnected:"
    took = wait("the controller", said(words, max(times - 1, 1)))
    print(f"controller heard {took:.2f} s after plugging")


def delay(frames: int) -> None:
    # PortAudio opens whatever ALSA names, and what plays for that moment is captured as well.
    config = Path("/run/hardware.conf")
    whole = Path("/usr/share/alsa/alsa.conf").read_text()
    config.write_text(re.sub(r"^pcm\.\S+ cards\..*", "", whole, flags=re.MULTILINE))
    os.environ["ALSA_CONFIG_PATH"] = str(config)
    daemon = start("sine", frames, 8)
    controller = Controller(NAME)
    plugged(controller)
    chance = random.Random(2026)
    for _ in range(60):
        time.sleep(chance.uniform(0.25, 0.40))
        sent = time.monotonic()
        controller.send(0x90, KEY, 100)
        print(f"struck {sent:.6f}")
        time.sleep(0.05)
        controller.send(0x80, KEY, 0)
    time.sleep(0.5)
    for status in Path("/proc/asound").glob("card*/pcm*p/sub0/status"):
        print(status.read_text())
    stop(daemon)


def hold(frames: int, seconds: float, stall_s: float = 0.0) -> None:
    daemon = start(HELD_SOUND.stem, frames, 16)
    controller = Controller(NAME)
    plugged(controller)
    for key in HELD:
        controller.send(0x90, key, 100)
    time.sleep(seconds / 2)
    if stall_s:
        player = player_of(daemon)
        os.kill(player, signal.SIGSTOP)
        time.sleep(stall_s)
        os.kill(player, signal.SIGCONT)
    time.sleep(seconds / 2)
    status = [sys.executable, "-m", "daemon", "status"]
    print(subprocess.run(status, capture_output=True, text=True, check=False).stdout)
    # Here: it brings pydantic, which takes its time on a board of this pace.
    from daemon.control.ask import ask

    sounding = ask({"ask": "status"})["notes"]["accounts"]["sounding"]
    print(f"{sounding} notes sounding of {len(HELD)} held")
    stop(daemon)
    sys.exit(not stall_s and sounding != len(HELD))


@contextmanager
def following() -> Iterator[Path]:
    """Have ``partiald status --follow`` run meanwhile; lend what it shows."""
    shown = Path("/tmp/shown.txt")
    command = [sys.executable, "-m", "daemon", "status", "--follow"]
    process = subprocess.Popen(command, stdout=shown.open("w"))
    wait("the status shown", lambda: shown.read_text().count("running ") > 1)
    yield shown
    process.terminate()
    process.wait(20)


def disturb(frames: int) -> None:
    """Hold a chord, give the keeper work of each kind, then of all; count what that costs."""
    # Here: it brings pydantic, which takes its time on a board of this pace.
    from daemon.control.ask import ask

    daemon = start(HELD_SOUND.stem, frames, 16)
    controller, second = Controller(NAME), Controller(SECOND, serial="2", socket_number=1)
    plugged(controller)
    second.plug()
    wait("the second controller", said(f"controller connected: '{SECOND}'"))
    for key in HELD:
        controller.send(0x90, key, 100)
    done = {"save": 0, "request": 0, "replug": 0, "storm": 0, "message": 0}
    status: dict[str, Any] = {}

    def save_again() -> None:
        done["save"] += 1
        save(HELD_SOUND.stem, frames, 16, volume_db=-float(done["save"] % 2))
        wait("the settings", said("settings read again", done["save"]))

    def ask_again() -> None:
        done["request"] += 1
        status.update(ask({"ask": "status"}))

    def replug_again() -> None:
        done["replug"] += 1
        second.unplug()
        wait("the loss", said(f"controller lost: '{SECOND}'", done["replug"]))
        second.plug()
        wait("its return", said(f"controller reconnected: '{SECOND}'", done["replug"]))

    def storm_again() -> None:
        done["storm"] += 1
        number = done["storm"]
        SETTINGS.write_text("".join(f"leaf_{number}_{each} = 1\n" for each in range(STORM_LINES)))
        daemon.send_signal(signal.SIGHUP)
        wait("the faults", said("settings left as they were", number))

    def send_again() -> None:
        done["message"] += 1
        controller.send(0xB0, MOD_WHEEL, 0)

    def work(what: str, *acts: tuple[Callable[[], None], float]) -> int:
        """Do each act again and again, so many seconds apart; return the underflows meanwhile."""
        acts += ((send_again, 0.01),)
        status.update(ask({"ask": "status"}))
        before, times = dict(status), dict(done)
        due = [0.0 for _ in acts]
        until = time.monotonic() + DISTURB_S
        while time.monotonic() < until:
            for place, (act, every_s) in enumerate(acts):
                if time.monotonic() >= due[place]:
                    due[place] = time.monotonic() + every_s
                    act()
            time.sleep(0.002)
        status.update(ask({"ask": "status"}))
        counts = ", ".join(
            f"{done[each] - times[each]} {each}s" for each in done if done[each] > times[each]
        )
        lost = int(status["underflows"] - before["underflows"])
        late = status["late_messages"] - before["late_messages"]
        block, blocks = status["block"], status["blocks"] - before["blocks"]
        print(
            f"{what}: {counts}: {lost} underflows in {blocks} blocks, {late} messages late; so far "
            f"99 of 100 within {block['p99_us'] / block['deadline_us']:.0%} of their time, the "
            f"longest {block['max_us'] / block['deadline_us']:.0%}",
            flush=True,
        )
        return lost

    lost = work("left alone")
    lost += work("settings saved", (save_again, 1.0))
    lost += work("status asked for", (ask_again, 0.02))
    lost += work("controller replugged", (replug_again, 0.5))
    with following() as shown:
        lost += work("status followed", (lambda: None, 1.0))
        lost += work("the log storming", (storm_again, 0.1))
        lost += work(
            "all of it",
            *((save_again, 1.0), (ask_again, 0.02), (replug_again, 2.0), (storm_again, 0.1)),
        )
    print(f"the status was shown {shown.read_text().count('running ')} times meanwhile")
    sounding = status["notes"]["accounts"]["sounding"]
    print(f"{status['underflows']} underflows, {sounding} notes sounding of {len(HELD)} held")
    stop(daemon)
    sys.exit(lost > 0 or sounding != len(HELD))


def replug(frames: int) -> None:
    daemon = start("sine", frames, 8)
    controller = Controller(NAME)
    plugged(controller)
    controller.send(0x90, 69, 100)
    time.sleep(1.0)
    controller.unplug()
    print(f"loss told after {wait('the loss', said('controller lost:')):.2f} s")
    plugged(controller, times=2)
    controller.send(0x90, 69, 100)
    time.sleep(1.0)
    card = next(
        path.parent
        for path in Path("/sys/bus/usb/devices").glob("*/product")
        if "Audio" in path.read_text()
    )
    (card / "authorized").write_text("0")
    print(f"card's loss told after {wait('the loss', said('looking for a sound card')):.2f} s")
    time.sleep(1.0)
    back = time.monotonic()
    (card / "authorized").write_text("1")
    print(f"sound again {wait('sound', said('sounding again')):.2f} s after the card's return")
    wait("the stream", stream_began)
    took = (stream_began() or 0.0) - back
    print(f"stream began {took:.2f} s after the card's return")
    sys.stdout.flush()
    controller.send(0x90, 69, 100)
    time.sleep(1.0)
    controller.send(0x80, 69, 0)
    time.sleep(0.3)
    stop(daemon)


def starting(frames: int) -> None:
    """Compare the daemon's start with the import of its libraries, bytecode there for both.

    Keeper and player start side by side, and here there is one core for both: what is to be
    reached on more of them is in bench_start.py.
    """
    stop(start("sine", frames, 16))
    took = {}
    for program in (LIBRARIES, IN_EARNEST) * 2:
        begun = time.monotonic()
        subprocess.run([sys.executable, "-c", program], check=True)
        took[program] = time.monotonic() - begun
    begun = time.monotonic()
    daemon = start("sine", frames, 16)
    until_stream_s = (stream_began() or 0.0) - begun
    for program, import_s in took.items():
        ratio = until_stream_s / import_s
        print(f"{ratio:.2f} times {import_s:.2f} s, a process that only does: {program}")
    stop(daemon)
    sys.exit(until_stream_s > MOST_ON_ONE_CORE * took[IN_EARNEST])


if __name__ == "__main__":
    mode, block_frames = sys.argv[1], int(sys.argv[2])
    match mode:
        case "delay":
            delay(block_frames)
        case "hold":
            hold(block_frames, HOLD_S)
        case "stall":
            hold(block_frames, 8.0, stall_s=0.2)
        case "disturb":
            disturb(block_frames)
        case "start":
            starting(block_frames)
        case _:
            replug(block_frames)
