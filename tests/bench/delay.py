"""How constant the time from a message to its onset is, over JACK; part of `make bench-late`.

``python bench_delay.py stamped`` measures the first of its two ways alone, and ends with 1 where
that varies by 0.2 ms or more: for a virtual board, whose clock no neighbour disturbs.

Notes at random moments, on a server with a dummy driver; onsets are read from what the server
recorded. First with the moment of sending beside each message, as ALSA's driver gives it: what is
left is the player's clock. Then through a real MIDI port of rtmidi: over JACK that library hands
messages over once a period and without their place in it, on both ends, so a delay through it
varies by a period whatever a receiver does. What the virtual board shows over ALSA is not so.
"""

import ctypes
import os
import random
import subprocess
import sys
import tempfile
import time
import wave
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from daemon.ipc.messages import Start
from daemon.ipc.shared_memory import counters_in, ring_in, shared_memory
from daemon.player.fork_server import ForkServer
from tests.boot.heard import onsets
from tests.support.daemon_process import Daemon
from tests.support.jack_server import JackServer, own_name
from tests.support.virtual_controller import NAME
from tests.support.waiting import next_line, wait_until

RATE, FRAMES, NOTES, KEY = 48_000, 128, 40, 84
CONSTANT_MS = 0.2
SETTINGS = {
    "polyphony": 4,
    "audio": {"block_frames": FRAMES, "device": "system"},  # as JACK calls its card
    "sound": {"name": "sine"},
}
TEXT = f'[audio]\nblock_frames = {FRAMES}\n[sound]\nname = "sine"\n'

# Sends when told to, and says when it did; in a process of its own, as a controller is.
SENDER = f"""
import random, sys, time
import rtmidi
output = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="{NAME}")
output.open_virtual_port("MIDI 1")
print("plugged", flush=True)
sys.stdin.readline()
chance = random.Random(2026)
for _ in range({NOTES}):
    time.sleep(chance.uniform(0.25, 0.40))
    print(time.monotonic(), flush=True)
    output.send_message([0x90, {KEY}, 100])
    time.sleep(0.05)
    output.send_message([0x80, {KEY}, 0])
time.sleep(0.5)
print("done", flush=True)
"""


class Recorder:
    """What the player sends to the server's card."""

    def __init__(self, folder: Path) -> None:
        ports = subprocess.run(["jack_lsp"], capture_output=True, text=True, check=True).stdout
        ours = next(port for port in ports.split("\n") if port.endswith(":out_0"))
        self._path = folder / "recorded.wav"
        seconds = round(NOTES * 0.46 + 3)
        self._process = subprocess.Popen(
            ["jack_rec", "-f", str(self._path), "-d", str(seconds), "-b", "24", ours],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        time.sleep(1.0)

    def audio(self) -> NDArray[np.float64]:
        try:
            self._process.wait(60)
        except subprocess.TimeoutExpired:
            self._process.kill()
            raise SystemExit("the server came to a halt: this machine is too busy") from None
        with wave.open(str(self._path)) as file:
            raw = np.frombuffer(file.readframes(file.getnframes()), np.uint8).reshape(-1, 3)
        whole = (raw.astype(np.int32) << np.array([8, 16, 24], np.int32)).sum(1, dtype=np.int32)
        return np.asarray(whole / 2.0**31)


class ServerFrames:
    """A client of the server that only asks which frame it is at.

    The server's own count: what it loses on a busy machine moves frames against every clock.
    """

    def __init__(self) -> None:
        self._library = ctypes.CDLL("libjack.so.0")
        self._library.jack_client_open.restype = ctypes.c_void_p
        self._library.jack_frame_time.restype = ctypes.c_uint32
        never_start_one = 1
        client = self._library.jack_client_open(b"frames", never_start_one, None)
        self._client = ctypes.c_void_p(client)
        self._library.jack_activate(self._client)

    def now_s(self) -> float:
        return int(self._library.jack_frame_time(self._client)) / RATE

    def close(self) -> None:
        self._library.jack_client_close(self._client)


def stamped(folder: Path) -> tuple[list[float], NDArray[np.float64]]:
    """Put messages into the ring with their moments; return their frames, and the recording."""
    memory = shared_memory()
    ring, counters, fork_server = ring_in(memory), counters_in(memory), ForkServer(memory)
    fork_server.start(Start(Settings.model_validate(SETTINGS).model_dump()))
    wait_until(lambda: counters.snapshot().blocks > 3 * RATE // FRAMES, 30.0)
    server, recorder, chance, sent = ServerFrames(), Recorder(folder), random.Random(2026), []
    for _ in range(NOTES):
        time.sleep(chance.uniform(0.25, 0.40))
        sent.append(server.now_s())
        ring.put((0x90, KEY, 100), time.monotonic_ns() // 1000, 0)
        time.sleep(0.05)
        ring.put((0x80, KEY, 0), time.monotonic_ns() // 1000, 0)
    audio = recorder.audio()
    server.close()
    print(
        f"  {counters.snapshot().late_events} of {2 * NOTES} messages came too late for their frame"
    )
    fork_server.stop()
    fork_server.close()
    return sent, audio


def through_a_port(folder: Path) -> tuple[list[float], NDArray[np.float64]]:
    """Send through a real port to the whole daemon; return the moments, and the recording."""
    daemon = Daemon(folder, TEXT)
    daemon.says("ready:", timeout_s=30)
    sender = subprocess.Popen(
        [sys.executable, "-c", SENDER], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert sender.stdin is not None
    assert sender.stdout is not None
    next_line(sender)
    daemon.says(f"controller connected: '{NAME}'", timeout_s=30)
    time.sleep(3.0)
    recorder = Recorder(folder)
    sender.stdin.write("\n")
    sender.stdin.flush()
    sent = [float(line) for line in sender.stdout if line != "done\n"]
    audio = recorder.audio()
    daemon.stop()
    return sent, audio


def tell(what: str, sent: list[float], audio: NDArray[np.float64]) -> float:
    """Print how much the delays vary, about their median as well: neighbours make outliers.

    Return their standard deviation, in milliseconds.
    """
    begun = onsets(audio, RATE) / RATE
    if len(begun) != len(sent):
        print(f"{what}: {len(sent)} notes sent, {len(begun)} heard: the server lost some")
        return float("inf")
    lag_ms = 1e3 * (begun - np.array(sent))
    quarters = np.percentile(lag_ms, (25, 75))
    spread_ms = float(np.std(lag_ms))
    print(
        f"{what}: {len(sent)} notes, delay varies by {spread_ms:.3f} ms (standard "
        f"deviation), the middle half by {np.ptp(quarters):.3f} ms"
    )
    return spread_ms


def main(server: str, wanted: list[str]) -> int:
    """Measure the ways that are wanted, or all."""
    os.environ["JACK_DEFAULT_SERVER"] = server
    period_ms = 1e3 * FRAMES / RATE
    print(
        f"\nfrom message to onset over JACK, period and block of {FRAMES} frames; a delay that "
        f"varies evenly within a period has a standard deviation of {period_ms / 12**0.5:.2f} ms"
    )
    spread_ms = 0.0
    for what, way in (("stamped", stamped), ("through rtmidi's port", through_a_port)):
        if wanted and what not in wanted:
            continue
        with tempfile.TemporaryDirectory() as folder:
            jack = JackServer(server, Path(os.devnull))
            # What a server loses while others have the processor moves every later onset.
            jack.start(FRAMES, first=bool(wanted))
            try:
                spread_ms = tell(what, *way(Path(folder)))
            finally:
                jack.stop()
    return int(bool(wanted) and spread_ms >= CONSTANT_MS)


if __name__ == "__main__":
    with own_name() as name:
        sys.exit(main(name, sys.argv[1:]))
