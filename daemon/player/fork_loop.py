"""The fork server's own process: small, ready, and never kept waiting by a player.

Units: seconds.
Threads: one. A player is forked from it without a thread, with numpy and the voices loaded.

A player that is not ready in time, or does not stop in time, is killed.
"""

import ctypes
import gc
import math
import mmap
import os
import select
import signal
import time
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from typing import NoReturn

from daemon.ipc.json_link import Link
from daemon.ipc.messages import (
    Cue,
    Ended,
    Exclusive,
    ExitStatus,
    LogLine,
    Message,
    NewSettings,
    PlayerState,
    Ready,
    Start,
    Stop,
)
from daemon.ipc.shared_memory import counters_in, note_events_in, ring_in

Life = Callable[[mmap.mmap, Link, Start], None]
"""What a player does from its fork to its end; a stop waits until it lifts the mask."""

STOP_S = 1.5
"""How long a player that was asked to stop may take."""
_STOPS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
_PR_SET_PDEATHSIG = 1


def serve(server: "ForkLoop", parent: int) -> NoReturn:
    """Be the fork server until the keeper closes its end."""
    try:
        # Ctrl-C and systemd reach the whole group; it is the keeper who decides.
        for number in _STOPS:
            signal.signal(number, signal.SIG_IGN)
        _follow(parent)
        try:
            import_module("daemon.player.process")
        except Exception as fault:  # noqa: BLE001 whatever it is: nobody else can report it
            server.give_up(f"the player can't be loaded: {type(fault).__name__}: {fault}")
        # Each player's collection looks at its own objects only, and leaves these pages shared.
        gc.freeze()
        while server.wanted:
            server.step()
        server.end_player()
    finally:
        os._exit(0)


def _follow(parent: int) -> None:
    """Have the kernel kill this process when its parent dies; leave at once if it has."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
    if os.getppid() != parent:
        os._exit(ExitStatus.ASKED)


class ForkLoop:
    """At most one player, and what passes between it and the keeper.

    Parameters
    ----------
    memory
        From `shared_memory`.
    keeper
        The link to it.
    open_s
        How long a player may take until it is ready.
    life
        The player's.
    """

    def __init__(self, memory: mmap.mmap, keeper: Link, open_s: float, life: Life) -> None:
        self._memory = memory
        self._keeper = keeper
        self._open_s, self._life = open_s, life
        self._state = PlayerState.IDLE
        self._player: Link | None = None
        self._pid = 0
        self._last_words: Ended | None = None
        self._kill_at_s = math.inf
        self._overdue = ""

    @property
    def wanted(self) -> bool:
        """Whether the keeper is there."""
        return self._keeper.open

    def give_up(self, why: str) -> None:
        """Tell the keeper why nothing will play, and be wanted no more."""
        self._keeper.send(LogLine(why, "error"))
        self._keeper.close()

    def step(self) -> None:
        """Wait for something and deal with it."""
        self._await(self._keeper)
        for message in self._keeper.receive():
            self._obey(message)

    def end_player(self) -> None:
        """Stop the player and wait for its end, which comes in a bounded time."""
        self._stop()
        while self._player is not None:
            self._await()

    def _await(self, *others: Link) -> None:
        """Wait until something comes or can go, and deal with what is the player's."""
        ends = [*others, *([self._player] if self._player else [])]
        left_s = max(self._kill_at_s - time.monotonic(), 0.0)
        readable, writable, _ = select.select(
            ends,
            [end for end in ends if end.sending],
            [],
            None if math.isinf(left_s) else left_s,
        )
        for end in writable:
            end.flush()
        if self._player in readable:
            self._hear_player()
        if time.monotonic() >= self._kill_at_s:
            self._last_words = Ended("ended", self._overdue, "warning")
            os.kill(self._pid, signal.SIGKILL)
            self._kill_at_s = math.inf

    def _obey(self, message: Message) -> None:
        match message:
            case Start():
                self._fork(message)
            case Stop():
                self._stop()
            case NewSettings() | Exclusive() | Cue() if self._player is not None:
                self._player.send(message)

    def _stop(self) -> None:
        if self._state not in (PlayerState.OPENING, PlayerState.PLAYING):
            return
        # It is reaped only after its link is closed: the number is still its own.
        os.kill(self._pid, signal.SIGTERM)
        self._state = PlayerState.STOPPING
        self._kill_after(STOP_S, "the player did not stop when asked and was killed")

    def _kill_after(self, seconds: float, because: str) -> None:
        self._kill_at_s = time.monotonic() + seconds
        self._overdue = because

    def _fork(self, job: Start) -> None:
        make_ready(job)
        here, there = Link.pair()
        parent = os.getpid()
        # A stop that comes before the player has its own handlers waits for them.
        signal.pthread_sigmask(signal.SIG_BLOCK, _STOPS)
        try:
            pid = os.fork()
        except OSError as error:
            text = f"the player can't be started: {error.strerror}"
            self._keeper.send(Ended("ended", text, "error"))
            return
        finally:
            # In the child it is the player that lifts the mask.
            if os.getpid() == parent:
                signal.pthread_sigmask(signal.SIG_UNBLOCK, _STOPS)
        if pid == 0:
            try:
                _follow(parent)
                here.close()
                self._keeper.close()
                self._life(self._memory, there, job)
            finally:
                os._exit(ExitStatus.FAULT)
        there.close()
        self._player, self._pid, self._last_words = here, pid, None
        self._state = PlayerState.OPENING
        self._kill_after(self._open_s, "the sound card or sound server did not answer")

    def _hear_player(self) -> None:
        """Pass on what the player says; when it is gone, say how."""
        assert self._player is not None
        for message in self._player.receive():
            match message:
                case Ended(cause="refused") if self._state is PlayerState.STOPPING:
                    pass  # asked to stop while it looked for a card
                case Ended():
                    self._last_words = message
                case Ready() if self._state is PlayerState.STOPPING:
                    pass  # asked to stop meanwhile: it will
                case Ready():
                    self._state, self._kill_at_s = PlayerState.PLAYING, math.inf
                    self._keeper.send(message)
                case _:
                    self._keeper.send(message)
        if self._player.open:
            return
        self._player.close()
        self._player = None
        self._state, self._kill_at_s = PlayerState.IDLE, math.inf
        _, status = os.waitpid(self._pid, 0)
        self._keeper.send(self._last_words or _farewell(os.waitstatus_to_exitcode(status)))


def make_ready(job: Start) -> None:
    """Make what a player begins with, for the one about to be forked and all after it."""
    from daemon.player.beginning import beginning

    # Of a fault the player tells, which comes upon it as well.
    with suppress(Exception):
        beginning(job)


def play(memory: mmap.mmap, link: Link, job: Start) -> None:
    """Live the life of a `Player`."""
    from daemon.player.process import Player

    Player(ring_in(memory), counters_in(memory), note_events_in(memory), link).live(job)


def _farewell(code: int) -> Ended:
    """Return the end of a player that did not say itself why it ended."""
    if code in (ExitStatus.ASKED, ExitStatus.REFUSED):  # of one that is refused unasked it said why
        return Ended("ended", "the player stopped as asked")
    if code == -signal.SIGXCPU:
        text = "the audio thread ran away, as it does when a USB card is pulled"
        return Ended("lost", text, "warning")
    if code < 0:
        text = f"the player was ended by {signal.Signals(-code).name}"
    else:
        text = f"the player ended with status {code}"
    return Ended("ended", text, "error")
