"""Inside a virtual board: the real daemon, an emulated controller, a captured sound card.

``python3 guest.py delay FRAMES`` strikes notes at random moments and prints when;
``python3 guest.py hold FRAMES`` holds sixteen notes of 32 partials for a minute;
``python3 guest.py stall FRAMES`` does so for a while and stops the player for 0.2 s in between;
``python3 guest.py replug FRAMES`` pulls the controller, then the card, and puts both back;
``python3 guest.py start FRAMES`` starts the daemon, beside the bare import of its libraries.
Every wait is for a condition. Times are the board's monotonic clock.
"""

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from tests.boot.controller import Controller

LOG = Path("/tmp/daemon.log")
NAME = "Cargo Bike Keys 25"
KEY = 84
HELD = range(36, 68, 2)
HOLD_S = 60.0
LIBRARIES = "import numpy, mido, rtmidi, sounddevice, pydantic"
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


def start(sound: str, frames: int, polyphony: int) -> subprocess.Popen[bytes]:
    """Start the daemon and wait until it can play."""
    subprocess.run(["modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi"], check=True)
    took = wait("a sound card", lambda: list(Path("/dev/snd").glob("pcmC*p")))
    print(f"sound card there after {took:.2f} s")
    settings = Path("/tmp/settings.toml")
    settings.write_text(
        f'polyphony = {polyphony}\n[audio]\nblock_frames = {frames}\n[sound]\nname = "{sound}"\n'
    )
    command = [sys.executable, "-m", "daemon", "--settings", str(settings), "run"]
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
    daemon = start("bowed-string", frames, 16)
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
    stop(daemon)


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
    """Compare the daemon's start with the import of its libraries, bytecode there for both."""
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
    sys.exit(until_stream_s > 1.5 * took[IN_EARNEST])


if __name__ == "__main__":
    mode, block_frames = sys.argv[1], int(sys.argv[2])
    match mode:
        case "delay":
            delay(block_frames)
        case "hold":
            hold(block_frames, HOLD_S)
        case "stall":
            hold(block_frames, 8.0, stall_s=0.2)
        case "start":
            starting(block_frames)
        case _:
            replug(block_frames)
