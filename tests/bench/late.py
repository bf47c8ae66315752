"""How punctual the player is: rendering and entry delay as shares of a block, loads beside it.

A real player process on a real PortAudio stream, through a JACK server with a dummy driver. Run
it with `make bench-late`. On a shared machine the tails show the neighbours as much as of us.
"""

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"

import multiprocessing
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from config.settings import Settings
from daemon.ipc.counters import Snapshot, percentile_us
from daemon.ipc.messages import NewSettings, Start
from daemon.ipc.shared_memory import counters_in, ring_in, shared_memory
from daemon.player.fork_server import ForkServer
from tests.support.jack_server import JackServer, own_name

SECONDS = 8.0
PASS_MARK = 0.5
VOICES, PARTIALS = 16, 32
SOUND = {
    "title": "Bench",
    "about": "Harmonics for a measurement.",
    "level_db": -60.0,
    "partials": {"count": PARTIALS},
    "envelope": {"decay_s": 600.0, "sustain": 0.5},
}


def spin(until: float) -> None:
    while time.monotonic() < until:
        pass


@contextmanager
def busy_core() -> Iterator[None]:
    """Keep one core busy with a process of its own."""
    process = multiprocessing.get_context("spawn").Process(
        target=spin, args=(time.monotonic() + 120,), daemon=True
    )
    process.start()
    try:
        yield
    finally:
        process.kill()
        process.join()


@contextmanager
def busy_keeper() -> Iterator[None]:
    """Keep a Python thread of the keeper's process busy: the player has none of its own."""
    stop = threading.Event()

    def work() -> None:
        while not stop.is_set():
            sum(range(1000))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


class Bench:
    """A player on a server of its own."""

    def __init__(self, frames: int, server: str) -> None:
        os.environ["JACK_DEFAULT_SERVER"] = server
        self._server = JackServer(server, Path(os.devnull))
        # It does not wait for its clients: late blocks are underflows, as with a card.
        self._server.start(frames, synchronous=False)
        memory = shared_memory()
        self._ring, self.counters = ring_in(memory), counters_in(memory)
        self._fork_server = ForkServer(memory)
        self.settings = Settings.model_validate(
            {"polyphony": VOICES, "sound": {"name": "bench"}, "audio": {"block_frames": frames}}
        )
        self.sounds = {"bench": SOUND}
        self._fork_server.start(Start(self.settings.model_dump(), self.sounds))
        self.wait(lambda: self.counters.snapshot().blocks > 50)
        for voice in range(VOICES):
            channel, key = divmod(voice, 24)
            self.send(0x90 | channel, 30 + key, 100)
        self.wait(lambda: self.counters.snapshot().sounding >= VOICES)

    def send(self, *message: int) -> None:
        self._ring.put(message, time.monotonic_ns() // 1000, 0)

    def wait(self, condition: Callable[[], bool]) -> None:
        until = time.monotonic() + 10
        while not condition():
            if time.monotonic() > until:
                raise SystemExit(f"no player: {self._fork_server.events()}")
            time.sleep(0.02)

    def apply(self) -> None:
        self._fork_server.send(NewSettings(self.settings.model_dump(), self.sounds))

    def close(self) -> None:
        self._fork_server.stop()
        self._fork_server.close()
        self._server.stop()


def share_of(before: Snapshot, after: Snapshot, share: float) -> float:
    """Return in what part of its time a share of the blocks between was rendered."""
    pairs = zip(after.render_counts, before.render_counts, strict=True)
    return percentile_us(tuple(new - old for new, old in pairs), share) / after.deadline_us


def line(what: str, before: Snapshot, after: Snapshot) -> str:
    """Return percentiles of the blocks between two snapshots."""
    deadline = after.deadline_us
    parts = []
    for name in ("render_counts", "entry_counts"):
        counts = tuple(
            new - old for new, old in zip(getattr(after, name), getattr(before, name), strict=True)
        )
        shares = [percentile_us(counts, share) / deadline for share in (0.5, 0.99, 0.999, 1.0)]
        parts.append(" ".join(f"{share:7.1%}" for share in shares))
    lost = after.underflows - before.underflows
    blocks = after.blocks - before.blocks
    return f"{what:42} {parts[0]}   {parts[1]}   {lost:4d} of {blocks}"


def verdict(what: str, good: bool) -> None:
    print(f"{what}: {'reached' if good else 'MISSED'}")


def main(server: str) -> None:
    print(f"{VOICES} voices of {PARTIALS} partials, {SECONDS:.0f} s each, shares of a block's time")
    print(f"{'':42} {'rendering':^31}   {'asked for late':^31}   underflows")
    print(f"{'':42} {'p50':>7} {'p99':>7} {'p99.9':>7} {'max':>7}", end="   ")
    print(f"{'p50':>7} {'p99':>7} {'p99.9':>7} {'max':>7}")
    for frames in (64, 128, 256):
        bench = Bench(frames, server)
        for what, loads in (
            ("idle", ()),
            ("busy thread beside the keeper", (busy_keeper,)),
            ("busy core", (busy_core,)),
            ("both", (busy_keeper, busy_core)),
            ("settings ten times a second", ()),
        ):
            with ExitStack() as stack:
                for load in loads:
                    stack.enter_context(load())
                time.sleep(0.5)
                before = bench.counters.snapshot()
                end = time.monotonic() + SECONDS
                while time.monotonic() < end:
                    time.sleep(0.1)
                    if what.startswith("settings"):
                        bench.apply()
                after = bench.counters.snapshot()
                if after.sounding != VOICES:
                    raise SystemExit(f"{after.sounding} of {VOICES} voices sound")
                print(line(f"{frames:4d} frames, {what}", before, after), flush=True)
                if (frames, what) == (64, "both"):
                    mark = share_of(before, after, 0.999)
        bench.close()
    verdict(
        f"64 frames, busy thread and busy core: rendering within {mark:.0%} of a block's time in "
        f"999 of 1000 blocks, at most {PASS_MARK:.0%}",
        mark <= PASS_MARK,
    )


if __name__ == "__main__":
    with own_name() as name:
        main(name)
