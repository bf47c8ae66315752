"""Where a sound on the page is heard: on the running daemon, or nowhere.

Units: microseconds of the monotonic clock. Threads: the caller's.
"""

import time
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from config.sound import Sound
from daemon.control.ask import NOBODY, Conversation
from daemon.errors import RunError
from daemon.shaping.sliders import Table

KEY, VELOCITY = 60, 90
PATIENCE_S, _ASK_AGAIN_S = 3.0, 0.05
"""How long a card may take to write a sound."""
_ON, _OFF = f"90{KEY:02x}{VELOCITY:02x}", f"80{KEY:02x}40"


class Asked(Protocol):
    """A running daemon."""

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Return the reply to a request."""


class Running:
    """The running daemon, to which each move is sent.

    Parameters
    ----------
    daemon
        The conversation with it.
    """

    def __init__(self, daemon: Asked) -> None:
        self._daemon = daemon
        self.sounding = False
        """Whether the page holds a key."""
        self._plays = False

    def sound(self, name: str) -> tuple[str, Sound, Sound]:
        """Return a sound's name, what it is, and as what it is heard now; no name: what plays."""
        told = self._answered({"ask": "sound", "name": name})
        return told["name"], *(Sound.model_validate(told[key]) for key in ("kept", "table"))

    def shape(self, name: str, table: Table | None, room_db: float | None) -> None:
        """Have a table played in the place of a sound's; None: the sound's own."""
        self._answered({"ask": "shape", "name": name, "table": table, "room_db": room_db})

    def keep(self, name: str, text: str) -> str:
        """Have a sound file kept; return its path."""
        path = str(self._answered({"ask": "keep", "name": name, "text": text})["path"])
        wait_until_kept(self._daemon.ask, name)
        return path

    def strike(self) -> str:
        """Strike a key, or let it go; say which."""
        self.sounding = not self.sounding
        self._play(_ON if self.sounding else _OFF)
        return "struck" if self.sounding else "released"

    def stay(self) -> None:
        """Show that we are alive: a controller that is silent for long is dropped."""
        if self._plays:
            self._play()

    def _play(self, *messages: str) -> None:
        now_us = time.monotonic_ns() // 1000
        timed = [(now_us, each) for each in messages]
        self._answered({"ask": "play", "name": "the page of sliders", "messages": timed})
        self._plays = True

    def _answered(self, request: Mapping[str, Any]) -> dict[str, Any]:
        told = self._daemon.ask(request)
        if "faults" in told:
            raise RunError("\n".join(told["faults"]))
        return told


def wait_until_kept(ask: Callable[[Mapping[str, Any]], dict[str, Any]], name: str) -> None:
    """Wait until the card has a sound; raise a `RunError` if it does not take it."""
    until_s = time.monotonic() + PATIENCE_S
    while (told := ask({"ask": "sound", "name": name})).get("pending") or "faults" in told:
        if time.monotonic() > until_s:
            raise RunError(
                f"the card has not taken '{name}' yet: 'journalctl -u partiald' says why, "
                "and it is tried again"
            )
        time.sleep(_ASK_AGAIN_S)


def running() -> Running | None:
    """Return the running daemon; None: there is none."""
    try:
        return Running(Conversation())
    except RunError as fault:
        if str(fault) == NOBODY:
            return None
        raise
