"""The command ``partiald play``: a MIDI file through the running daemon, as one more controller.

Units: seconds of the monotonic clock, which the daemon has as well.

Every message is sent when it is due, with its time, and the daemon places it there. Whatever ends
this process ends its connection, and with that every note it holds.
"""

import argparse
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol

from config.toml.wording import counted
from daemon.control.ask import Conversation
from daemon.control.requests import MOST_MESSAGES
from daemon.errors import RunError
from daemon.offline import midi_file as songs
from daemon.offline.midi_file import Song

_LEAD_S = 0.2
_SIGN_OF_LIFE_S = 0.5
_LATEST_S = 0.25
"""What is later than this was held up: the song goes on from there, and does not hurry."""
_TOGETHER_S = 0.0005


class Daemon(Protocol):
    """Whoever plays it."""

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """Return the reply to a request."""


def run(arguments: argparse.Namespace) -> int:
    """Play the song to its end, to Ctrl-C or to a panic."""
    path: Path = arguments.song
    song = songs.read(path)
    with Conversation() as daemon:
        status = daemon.ask({"ask": "status"})
        if status["state"] != "playing":
            raise RunError(f"the instrument is silent: {status['reason']}")
        sys.stdout.write(f"{path.name}: {_clock(song.length_s)}, {counted(song.notes, 'note')}\n")
        for line in _remarks(song):
            sys.stdout.write(line + "\n")
        sys.stdout.flush()
        player = Player(song, path.name, daemon, time.monotonic, time.sleep)
        try:
            how = "played to its end" if player.play() else "stopped by a panic"
        except KeyboardInterrupt:
            how = "stopped"
    sys.stdout.write(f"{how} after {_clock(player.played_s)}: {counted(player.notes, 'note')}\n")
    return 0


class Player:
    """The song on its way to the daemon.

    Parameters
    ----------
    song, name
        What is played, and what the daemon is to call it.
    daemon
        Takes the messages.
    clock_s, sleep
        The monotonic clock, and what waits by it.
    """

    def __init__(
        self,
        song: Song,
        name: str,
        daemon: Daemon,
        clock_s: Callable[[], float],
        sleep: Callable[[float], None],
    ) -> None:
        self._moments = list(_moments(song))
        self._length_s, self._name = song.length_s, name[:80]
        self._daemon, self._clock_s, self._sleep = daemon, clock_s, sleep
        self.notes = 0
        """Struck so far."""
        self.played_s = 0.0

    def play(self) -> bool:
        """Play; return False if a panic has stopped it."""
        if not self._send([]):
            return False
        began_s = self._clock_s() + _LEAD_S
        for at_s, messages in [*self._moments, (self._length_s, [])]:
            while (wait_s := began_s + at_s - self._clock_s()) > 0.0:
                self._sleep(min(wait_s, _SIGN_OF_LIFE_S))
                if wait_s > _SIGN_OF_LIFE_S and not self._send([]):
                    return False
            if wait_s < -_LATEST_S:
                began_s -= wait_s
            self.played_s = at_s
            due_us = round((began_s + at_s) * 1e6)
            for first in range(0, len(messages), MOST_MESSAGES):
                part = messages[first : first + MOST_MESSAGES]
                if not self._send([(due_us, message.hex()) for message in part]):
                    return False
            self.notes += sum(each[0] & 0xF0 == 0x90 and each[2] > 0 for each in messages)
        return True

    def _send(self, messages: list[tuple[int, str]]) -> bool:
        request = {"ask": "play", "name": self._name, "messages": messages}
        return not self._daemon.ask(request)["stopped"]


def _moments(song: Song) -> Iterator[tuple[float, list[bytes]]]:
    """Yield what is to be sent together, and when: the messages of channels."""
    at_s = 0.0
    together: list[bytes] = []
    for time_s, message in song.events:
        if message[0] >= 0xF0:
            continue
        if together and time_s - at_s > _TOGETHER_S:
            yield at_s, together
            together = []
        at_s = at_s if together else time_s
        together.append(message)
    if together:
        yield at_s, together


def _remarks(song: Song) -> list[str]:
    exclusive = sum(message[0] >= 0xF0 for _, message in song.events)
    messages = counted(exclusive, "system exclusive message")
    left_out = f"{messages} left out: a song changes no settings"
    return [f"repaired: {repair}" for repair in song.repairs] + [left_out] * bool(exclusive)


def _clock(length_s: float) -> str:
    minutes, seconds = divmod(round(length_s, 1), 60)
    return f"{minutes:.0f} min {seconds:.1f} s" if minutes else f"{seconds:.1f} s"
