"""Whoever has connected to the control socket: what it asks for is done, and it is answered.

Units: microseconds of the monotonic clock (``_us``); clients by number.
Threads: the main loop's alone.

Promise: a song ends with its client's connection, however that ends, and then holds nothing.
"""

import logging
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from config.toml.printable import printable
from config.toml.wording import counted
from daemon.control.requests import AskPanic, AskPlay, AskShape, AskShaping, Request
from daemon.ipc.counters import Snapshot
from daemon.keeper.shaping import Shaping
from daemon.midi.controllers import Controllers
from daemon.midi.song import Song

log = logging.getLogger(__name__)


class Answering(Protocol):
    """The keeper, for whatever concerns the daemon as a whole."""

    def answer(self, request: Request) -> dict[str, Any]:
        """Return what a request asks for."""


class Output(Protocol):
    """Where the music goes."""

    @property
    def note_ons(self) -> int:
        """Note-ons received so far."""

    def snapshot(self) -> Snapshot | None:
        """Return what a player counts; None: there is none."""

    @property
    def output(self) -> object | None:
        """What a player plays on, another object for each player; None: nothing."""


class Answers:
    """The clients of the control socket.

    Parameters
    ----------
    keeper
        Answers what is not answered here.
    controllers
        Where songs play, and whose notes a panic ends.
    player
        Says when another player has begun, and whether any note sounds.
    shaping
        Sees to the sounds that are being shaped.
    clock_us
        The monotonic clock.
    """

    def __init__(
        self,
        keeper: Answering,
        controllers: Controllers,
        player: Output,
        shaping: Shaping,
        clock_us: Callable[[], int],
    ) -> None:
        self._shaping = shaping
        self._keeper, self._controllers = keeper, controllers
        self._player, self._clock_us = player, clock_us
        self._songs: dict[int, tuple[Song, object]] = {}

    def answer(self, request: Request, client: int) -> Mapping[str, Any]:
        """Return what a client's request asks for."""
        match request:
            case AskPanic():
                return self._panic()
            case AskPlay():
                return self._play(request, client)
            case AskShape():
                self._shaping.pages.add(client)
        if isinstance(request, AskShaping):
            return self._shaping.answer(request, self._clock_us())
        return self._keeper.answer(request)

    def tick(self) -> None:
        """Let what was shaped be kept when it is time to; not while a song plays."""
        seen = self._player.snapshot()
        sounding = (seen.sounding if seen else 0) + len(self._songs)
        self._shaping.tick(self._player.note_ons, sounding, self._clock_us())

    def left(self, client: int) -> None:
        """Let a client's song go, if it has one, and its page."""
        self._shaping.left(client)
        song, _ = self._songs.pop(client, (None, None))
        if song is not None:
            self._controllers.end_song(song, self._clock_us())
            log.info("the song is over: '%s', %s", song.name, counted(song.notes, "note"))

    def _panic(self) -> dict[str, Any]:
        self._controllers.panic(self._clock_us())
        log.warning("panic: every note was ended")
        return {"ended": True}

    def _play(self, request: AskPlay, client: int) -> dict[str, Any]:
        now_us, output = self._clock_us(), self._player.output
        if client not in self._songs:
            song = self._controllers.add_song(printable(request.name), now_us)
            self._songs[client] = song, output
            log.info("a song plays: '%s' as controller %d", song.name, song.number + 1)
        song, before = self._songs[client]
        if output is not None and output is not before:
            song.catch_up(now_us)
            self._songs[client] = song, output
        if not song.stopped:
            song.play([(at, bytes.fromhex(text)) for at, text in request.messages], now_us)
        return {"controller": song.number + 1, "stopped": song.stopped}
