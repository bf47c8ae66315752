"""How punctual the player is: rendering and entry delay as shares of a block, loads beside it.

A real player process on a real PortAudio stream, through a JACK server with a dummy driver. Run
it with `make bench-late`. On a shared machine the tails tell of the neighbours as much as of us.
"""

import multiprocessing
import os
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from config.settings import Settings
from daemon.board import Snapshot, percentile_us
from daemon.memory import board_in, ring_in, shared_memory
from daemon.spawner import PlayerJob, Spawner
from tests.jackd import JackServer, own_name

SECONDS = 8.0
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

    def __init__(self, frames: int, voices: int, partials: int, server: str) -> None:
        os.environ["JACK_DEFAULT_SERVER"] = server
        self._server = JackServer(server, Path(os.devnull))
        # It does not wait for its clients: late blocks are underflows, as with a card.
        self._server.start(frames, waits=False)
        memory = shared_memory()
        self._ring, self.board = ring_in(memory), board_in(memory)
        self._spawner = Spawner(memory)
        self.settings = Settings.model_validate(
            {"polyphony": voices, "sound": {"name": "bench"}, "audio": {"block_frames": frames}}
        )
        self.sounds = {"bench": {**SOUND, "partials": {"count": partials}}}
        self._spawner.start(PlayerJob(self.settings.model_dump(), self.sounds))
        self._wait(lambda: self.board.snapshot().blocks > 50)
        for voice in range(voices):
            channel, key = divmod(voice, 24)
            self._ring.put((0x90 | channel, 30 + key, 100), time.monotonic_ns() // 1000, 0)
        self._wait(lambda: self.board.snapshot().sounding >= voices)

    def _wait(self, condition: Callable[[], bool]) -> None:
        until = time.monotonic() + 10
        while not condition():
            if time.monotonic() > until:
                raise SystemExit(f"no player: {[e.text for e in self._spawner.events()]}")
            time.sleep(0.02)

    def apply(self) -> None:
        self._spawner.send(self.settings.model_dump(), self.sounds)

    def close(self) -> None:
        self._spawner.stop()
        self._spawner.close()
        self._server.stop()


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
    return f"{what:34} {parts[0]}   {parts[1]}   {lost:4d} of {blocks}"


def main(server: str) -> None:
    print(f"{VOICES} voices of {PARTIALS} partials, {SECONDS:.0f} s each, shares of a block's time")
    print(f"{'':34} {'rendering':^31}   {'asked for late':^31}   underflows")
    print(f"{'':34} {'p50':>7} {'p99':>7} {'p99.9':>7} {'max':>7}", end="   ")
    print(f"{'p50':>7} {'p99':>7} {'p99.9':>7} {'max':>7}")
    for frames in (64, 128, 256):
        bench = Bench(frames, VOICES, PARTIALS, server)
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
                before = bench.board.snapshot()
                end = time.monotonic() + SECONDS
                while time.monotonic() < end:
                    time.sleep(0.1)
                    if what.startswith("settings"):
                        bench.apply()
                print(
                    line(f"{frames:4d} frames, {what}", before, bench.board.snapshot()), flush=True
                )
        bench.close()
    overload(server)


def overload(server: str) -> None:
    """Ask for about three times what fits, and watch the governor."""
    frames = 64
    bench = Bench(frames, 256, 128, server)
    until = time.monotonic() + 3
    while time.monotonic() < until:
        time.sleep(0.1)
    before = bench.board.snapshot()
    time.sleep(SECONDS)
    after = bench.board.snapshot()
    print(f"\n256 voices of 128 partials, {frames} frames: more than fits")
    print(line("governed", before, after))
    print(
        f"the governor took {after.spare_steps} steps; {after.partials} partials of "
        f"{256 * 128} sound, no more than {after.most_partials}; the block before its latest step "
        f"took {after.spare_percent} %; held notes: {after.accounts['sounding']} of 256"
    )
    bench.close()


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with own_name() as name:
        main(name)
