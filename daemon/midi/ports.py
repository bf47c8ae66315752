"""MIDI inputs as the rest of the program sees them, real or simulated.

Units: times in microseconds of the monotonic clock.
Threads: listing, opening and closing belong to one thread; ``on_message`` may be called on others.
"""

from collections.abc import Callable, Sequence
from typing import NamedTuple, Protocol

OnMessage = Callable[[Sequence[int], int], None]
"""Takes a message and its time."""


class OpenPort(NamedTuple):
    """An open input."""

    close: Callable[[], None]
    """Closes it."""
    stale: int = 0
    """Messages from before it was opened, which were dropped."""


class OpenOutput(NamedTuple):
    """An open output."""

    send: Callable[[bytes], None]
    """Sends a message; what cannot be sent is dropped."""
    close: Callable[[], None]
    """Closes it."""


class MidiPorts(Protocol):
    """Where the controllers are plugged in."""

    def names(self) -> list[str]:
        """Return the names of the inputs that are there now."""

    def open(self, name: str, on_message: OnMessage) -> OpenPort:
        """Have ``on_message(message, time_us)`` called for what is sent from now on."""

    def output(self, name: str) -> OpenOutput | None:
        """Open the output of the device that has this input; None: it has none."""


class NoPorts:
    """The inputs of a machine without a MIDI library: none."""

    system = ""

    def names(self) -> list[str]:
        """Return no names."""
        return []

    def open(self, name: str, on_message: OnMessage) -> OpenPort:
        """Refuse."""
        raise OSError(f"no MIDI input '{name}'")

    def output(self, name: str) -> OpenOutput | None:
        """Refuse."""
        return None

    def close(self) -> None:
        """Do nothing."""
