"""A virtual board with partiald installed, seen from inside: its journal, its status, its card.

Units: seconds of the board's monotonic clock. Runs as root on nothing but the standard library.
Every wait is for a condition. What is printed is for a reader, but for lines that begin with
``@``: JSON for the host, which holds it against what the sound card played (`heard_box`).
"""

import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from tests.boot.controller import Controller

SOCKET = Path("/run/partiald/control")
SETTINGS = Path("/etc/partiald/partiald.toml")
NAME = "Cargo Bike Keys 25"
NO_CUES = "[cues]\nready = false\ncontroller = false\nsettings = false\nboard = false\n"
PLAIN = f'{NO_CUES}[sound]\nname = "sine"\n'
"""Settings with which nothing sounds but what is played, on one partial."""
_POLL_S = 0.01


@dataclass(frozen=True)
class Line:
    """One line of the journal."""

    at_s: float
    priority: int
    text: str


class Journal:
    """The service's journal, followed from the board's start on."""

    def __init__(self, *what: str) -> None:
        self.lines: list[Line] = []
        self._news = threading.Condition()
        selection = what or ("--unit=partiald",)
        command = ["journalctl", "--boot", "--follow", "--lines=all", "--output=json", *selection]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for raw in self._process.stdout:
            entry = json.loads(raw)
            at_s = int(entry["__MONOTONIC_TIMESTAMP"]) / 1e6
            line = Line(at_s, int(entry.get("PRIORITY", 6)), str(entry["MESSAGE"]))
            with self._news:
                self.lines.append(line)
                self._news.notify_all()

    def wait(self, words: str, after_s: float = 0.0, limit_s: float = 30.0) -> Line:
        """Return the first line with these words from then on."""

        def found() -> Line | None:
            return next((e for e in self.lines if e.at_s >= after_s and words in e.text), None)

        with self._news:
            line = self._news.wait_for(found, limit_s)
        if line is None:
            fail(f"'{words}' in the journal within {limit_s:g} s", self)
        return line

    def count(self, words: str, after_s: float = 0.0) -> int:
        """Return how many lines have these words."""
        with self._news:
            return sum(e.at_s >= after_s and words in e.text for e in self.lines)


def now() -> float:
    return time.monotonic()


def fail(what: str, journal: Journal | None = None) -> NoReturn:
    """Tell what is not as it should be, with what the service said, and end."""
    print(f"FAILED {now():8.3f}  {what}")
    if journal is not None:
        for line in journal.lines[-40:]:
            print(f"    {line.at_s:8.3f} <{line.priority}> {line.text}")
    sys.stdout.flush()
    sys.exit(1)


def check(condition: object, what: str, found: object = "") -> None:
    """Tell that something is as it should be, or end."""
    if not condition:
        fail(f"{what}: {found}")
    print(f"ok     {now():8.3f}  {what}", flush=True)


def figure(what: str, seconds: float, limit_s: float) -> None:
    """Tell how long something took, or end if that is too long."""
    if seconds > limit_s:
        fail(f"{what}: {seconds:.2f} s, more than {limit_s:g}")
    print(f"figure {now():8.3f}  {what}: {seconds:.2f} s (at most {limit_s:g})", flush=True)


def for_host(**record: object) -> None:
    print("@", json.dumps(record), flush=True)


def wait(what: str, condition: Callable[[], object], limit_s: float = 20.0) -> float:
    """Wait until something holds; return how long that took."""
    begun = now()
    while not condition():
        if now() - begun > limit_s:
            fail(f"{what} within {limit_s:g} s")
        time.sleep(_POLL_S)
    return now() - begun


def told(*command: str, code: int = 0) -> str:
    """Return what a command says; it has to end with ``code``."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != code:
        fail(f"{' '.join(command)} ended with {done.returncode}: {done.stdout}{done.stderr}")
    return done.stdout


def status() -> dict[str, Any]:
    """Return the daemon's status, asked over its socket as the command does."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as wire:
        wire.settimeout(5.0)
        wire.connect(str(SOCKET))
        wire.sendall(b'{"ask": "status"}\n')
        with wire.makefile("rb") as lines:
            reply = json.loads(lines.readline())
    assert isinstance(reply, dict)
    return reply


def accounts() -> dict[str, int]:
    return dict(status()["notes"]["accounts"])


def sounding() -> int:
    return int(status()["voices"]["now"])


def save(text: str, path: Path = SETTINGS) -> None:
    """Save a settings file as an editor does."""
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_name(path.name + ".edited")
    new.write_text(text)
    new.rename(path)


def bring_hubs() -> int:
    """Have what controllers are plugged into, once the boot is over; return the underflows by then.

    Sixteen hubs at once are more than a board with one core ever sees: the kernel keeps even the
    audio thread from it for up to 27 ms meanwhile (its run queue's delay, read in schedstat).
    """
    time.sleep(3.0)
    before = status()["underflows"]
    check(before == 0, "no underflow from the first block on", before)
    told("modprobe", "-a", "vhci-hcd", "snd-seq", "snd-seq-midi")
    told("udevadm", "settle")
    time.sleep(0.5)
    underflows = int(status()["underflows"])
    print(f"underflows while the kernel brought sixteen hubs: {underflows}", flush=True)
    return underflows


def plug(controller: Controller, journal: Journal, limit_s: float = 1.0) -> None:
    """Put a controller in and wait until it is heard."""
    begun = now()
    controller.plug()
    line = journal.wait("connected: ", begun)
    figure("controller in, until it is heard", line.at_s - begun, limit_s)
    # In its first moments the keeper is still busy with it.
    time.sleep(0.3)


def cue(name: str, *keys: int) -> None:
    """Let a cue sound; the host looks for its tones."""
    time.sleep(2.0)
    for_host(passage=name, cue=keys)


def sound_card() -> Path:
    """Return the USB sound card's place in sysfs."""
    devices = Path("/sys/bus/usb/devices").glob("*/product")
    return next(path.parent for path in devices if "Audio" in path.read_text())


class Passages:
    """What is played, told to the host so that it can look for it in what was heard.

    A passage begins with a strike after silence and ends when all is let go; then there is
    silence again for at least a quarter of a second.
    """

    def __init__(self) -> None:
        self.life = 1
        """Which stream of the card's this is."""
        self._record: dict[str, Any] = {}

    def begin(self, name: str, controller: Controller, *keys: int, port: int = 0) -> None:
        self._record = {"passage": name, "life": self.life, "begun": now(), "tones": []}
        for key in keys:
            controller.send(0x90, key, 100, port=port)

    def hold(
        self,
        seconds: float,
        *keys: int,
        gone: Sequence[int] = (),
        spectrum: Mapping[int, float] | None = None,
    ) -> None:
        """Let it sound; in the second half the first keys should be heard, the others not.

        ``spectrum``: the levels of its partials beside the first key's own, in dB.
        """
        begun = now()
        time.sleep(seconds)
        tone: dict[str, Any] = {
            "from": begun + seconds / 2,
            "to": now(),
            "keys": keys,
            "gone": list(gone),
        }
        tone["spectrum"] = dict(spectrum or {})
        self._record["tones"].append(tone)

    def end(
        self,
        controller: Controller | None,
        *keys: int,
        steady: bool = False,
        level: bool = False,
        prompt: bool = True,
        port: int = 0,
    ) -> None:
        """Let go.

        ``steady``: the phase of what sounded from first to last must not jump; ``level``: it has
        to be as loud as the other passages of which that is said; ``prompt``: it has to begin as
        late as the others.
        """
        self._record |= {"steady": steady, "level": level, "prompt": prompt}
        if controller is not None:
            for key in keys:
                controller.send(0x80, key, 0, port=port)
        for_host(**self._record)
        self._record = {}
        _silence()

    def unlooked(self, name: str) -> None:
        """Say that something was played that the host need not look into."""
        for_host(passage=name, cue=())
        _silence()


def _silence() -> None:
    wait("silence", lambda: sounding() == 0)
    time.sleep(0.3)
