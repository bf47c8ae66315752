"""The process that makes players: small, ready, and forked before the keeper has a thread.

Threads: `ForkServer` belongs to the keeper's main thread. It must be made before any other thread
starts, since a fork copies only the thread that forks.

A player costs a fork instead of seconds of imports: numpy and the voices are in memory already,
here alone; they are imported while the keeper imports what is its own.
Every `ForkServer.start` is answered by any number of *log* events, at most one *ready*, and exactly
one that ends it: *refused* (no card, or none that opens), *lost* (the card went away) or *ended*
(asked to, killed, or failed). After that one the player is gone and another may be started.
No process of it outlives the keeper.
"""

import gc
import math
import mmap
import os
import select
import signal
import time
from dataclasses import dataclass, field
from importlib import import_module
from typing import Any, Literal, NoReturn

from daemon.ipc.exit_status import Ending, follow_parent
from daemon.ipc.json_link import Link
from daemon.ipc.layout import board_in, outcomes_in, ring_in

_STOP_S = 1.5
OPEN_S = 15.0
"""PortAudio may hang on a sound server that does not answer; this is how long it is given."""
FINAL = ("refused", "lost", "ended")
"""The kinds of event after which the player is gone."""


@dataclass(frozen=True)
class PlayerJob:
    """What a player is started with; plain values, validated again by the player."""

    settings_plain: dict[str, Any]
    sounds_plain: dict[str, Any] = field(default_factory=dict)
    """Sounds by name, as `Sound.model_dump` gives them; empty: the shipped ones."""
    card: dict[str, Any] = field(default_factory=dict)
    """`Card.as_plain`; empty: the player looks itself, by the settings' device name."""
    known_card: str = ""
    """The identity of the card played on before: on any other the sound grows out of silence."""
    patience_s: float = 0.0
    """How long it waits for a card that has just come to be ours to open."""


@dataclass(frozen=True)
class PlayerEvent:
    """What became of a player."""

    kind: Literal["ready", "lost", "ended", "refused", "log", "reply"]
    text: str
    level: str = "info"
    """How it is to be logged: debug, info, warning, error."""
    details: dict[str, Any] = field(default_factory=dict)
    """With *ready*: ``card`` (as plain), ``sample_rate`` and ``delay_ms``. With *reply*:
    ``controller`` and ``message``, in hexadecimal."""


class ForkServer:
    """The keeper's end.

    Parameters
    ----------
    memory
        From `shared_memory`.
    open_s
        How long a player may take until it is ready.
    """

    def __init__(self, memory: mmap.mmap, open_s: float = OPEN_S) -> None:
        self._board, self.outcomes = board_in(memory), outcomes_in(memory)
        self._link, there = Link.pair()
        parent = os.getpid()
        self._pid = os.fork()
        if self._pid == 0:
            self._link.close()
            _serve(_Server(memory, there, open_s), parent)
        there.close()
        self.playing = False
        """Whether a player has been started and has not ended yet."""
        self.alive = True
        """Whether players can still be made; when not, the keeper has to start anew."""

    def fileno(self) -> int:
        """Return the descriptor that becomes readable when there are events."""
        return self._link.fileno()

    def start(self, job: PlayerJob) -> None:
        """Start a player on a cleared board.

        Raises
        ------
        RuntimeError
            While there is one.
        """
        if self.playing:
            raise RuntimeError("one player at a time")
        self._board.clear()
        self.outcomes.clear()
        self.playing = self._link.send(
            ask="start",
            settings=job.settings_plain,
            sounds=job.sounds_plain,
            card=job.card,
            known_card=job.known_card,
            patience_s=job.patience_s,
        )

    def send(self, settings_plain: dict[str, Any], sounds_plain: dict[str, Any]) -> None:
        """Give the player new settings and sounds; nothing happens when there is none."""
        if self.playing:
            self._link.send(ask="settings", settings=settings_plain, sounds=sounds_plain)

    def exclusive(self, controller: int, message: bytes) -> None:
        """Give the player a message that is too long for the ring; nothing when there is none."""
        if self.playing:
            self._link.send(ask="exclusive", controller=controller, exclusive=message.hex())

    def cue(self, name: str, level_db: float) -> None:
        """Have the player sound a cue; nothing happens when there is none."""
        if self.playing:
            self._link.send(ask="cue", cue=name, level_db=level_db)

    def stop(self) -> None:
        """Have the player fade out and end, at the latest by force; an event tells when."""
        if self.playing:
            self._link.send(ask="stop")

    def events(self) -> list[PlayerEvent]:
        """Return what has happened since the last call, without waiting."""
        events = []
        for message in self._link.receive():
            kind = message.pop("kind")
            text, level = message.pop("text", ""), message.pop("level", "info")
            events.append(PlayerEvent(kind, text, level, message))
        if not self._link.open and self.alive:
            self.alive = False
            events.append(PlayerEvent("ended", "the spawner ended", "error"))
        if any(event.kind in FINAL for event in events):
            self.playing = False
        return events

    def close(self) -> None:
        """End the player, with its fade, and the spawner; returns when both are gone."""
        self._link.close()
        self.alive = self.playing = False
        os.waitpid(self._pid, 0)


def _serve(server: "_Server", parent: int) -> NoReturn:
    """Be the spawner until the keeper closes its end."""
    try:
        # Ctrl-C and systemd reach the whole group; it is the keeper who decides.
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)
        follow_parent(parent)
        try:
            import_module("daemon.player.process")
        except Exception as fault:  # noqa: BLE001 whatever it is: nobody else can tell
            server.give_up(f"no player can be made: {type(fault).__name__}: {fault}")
        # Each player's collection looks at its own objects only, and leaves these pages shared.
        gc.freeze()
        while server.wanted:
            server.step()
        server.end_player()
    finally:
        os._exit(0)


class _Server:
    """The spawner's own end: at most one player."""

    def __init__(self, memory: mmap.mmap, keeper: Link, open_s: float) -> None:
        self._memory = memory
        self._keeper = keeper
        self._open_s = open_s
        self._player: Link | None = None
        self._pid = 0
        self._final: dict[str, Any] | None = None
        self._kill_at = math.inf
        self._overdue = ""

    @property
    def wanted(self) -> bool:
        """Whether the keeper is there."""
        return self._keeper.open

    def give_up(self, why: str) -> None:
        """Tell the keeper why nothing will play, and be wanted no more."""
        self._keeper.send(kind="log", text=why, level="error")
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
        """Wait until something comes, deal with what is the player's."""
        ends = [*others, *([self._player] if self._player else [])]
        left_s = max(self._kill_at - time.monotonic(), 0.0)
        readable, _, _ = select.select(ends, [], [], None if math.isinf(left_s) else left_s)
        if self._player in readable:
            self._hear_player()
        elif time.monotonic() >= self._kill_at:
            self._final = {"kind": "ended", "text": self._overdue, "level": "warning"}
            os.kill(self._pid, signal.SIGKILL)
            self._kill_at = math.inf

    def _obey(self, message: dict[str, Any]) -> None:
        ask = message.pop("ask")
        if ask == "start":
            self._fork(message)
        elif ask in ("settings", "cue", "exclusive") and self._player is not None:
            self._player.send(**message)
        elif ask == "stop":
            self._stop()

    def _stop(self) -> None:
        if self._player is None:
            return
        # It is reaped only after its link is closed: the number is still its own.
        os.kill(self._pid, signal.SIGTERM)
        self._expect_within(_STOP_S, "the player did not stop when asked and was killed")

    def _expect_within(self, seconds: float, otherwise: str) -> None:
        self._kill_at = time.monotonic() + seconds
        self._overdue = otherwise

    def _fork(self, job: dict[str, Any]) -> None:
        here, there = Link.pair()
        parent = os.getpid()
        try:
            pid = os.fork()
        except OSError as error:
            self._keeper.send(kind="ended", text=f"no player: {error.strerror}", level="error")
            return
        if pid == 0:
            try:
                follow_parent(parent)
                here.close()
                self._keeper.close()
                from daemon.player.process import Player

                memory = self._memory
                Player(ring_in(memory), board_in(memory), there, outcomes_in(memory)).live(job)
            finally:
                os._exit(Ending.FAULT)
        there.close()
        self._player, self._pid, self._final = here, pid, None
        self._expect_within(self._open_s, "the sound card or sound server did not answer")

    def _hear_player(self) -> None:
        """Pass on what the player says; when it is gone, say how."""
        assert self._player is not None
        for message in self._player.receive():
            if message["kind"] in FINAL:
                self._final = message
                continue
            if message["kind"] == "ready":
                self._kill_at = math.inf
            self._keeper.send(**message)
        if self._player.open:
            return
        self._player.close()
        self._player = None
        self._kill_at = math.inf
        _, status = os.waitpid(self._pid, 0)
        self._keeper.send(**(self._final or _farewell(os.waitstatus_to_exitcode(status))))


def _farewell(code: int) -> dict[str, Any]:
    """Return the last event of a player that did not say itself why it ended."""
    if code == Ending.ASKED:
        return {"kind": "ended", "text": "the player stopped as asked", "level": "info"}
    if code == -signal.SIGXCPU:
        text = "the audio thread ran away, as it does when a USB card is pulled"
        return {"kind": "lost", "text": text, "level": "warning"}
    if code < 0:
        text = f"the player was ended by {signal.Signals(-code).name}"
    else:
        text = f"the player ended with status {code}"
    return {"kind": "ended", "text": text, "level": "error"}
