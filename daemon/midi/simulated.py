"""Simulated MIDI inputs, seen by the program through the same interface as real ones.

Units: times in microseconds of whatever clock the caller keeps.
Threads: everything happens in the caller's; `SimulatedPorts.send` calls back before it returns.
"""

from collections.abc import Sequence

from daemon.midi.ports import OnMessage, OpenOutput, OpenPort

THROUGH = "Midi Through:Midi Through Port-0 14:0"
"""The port that every Linux machine has and no program should play from."""


class SimulatedPorts:
    """MIDI inputs that come and go as the caller says."""

    def __init__(self) -> None:
        self._present = [THROUGH]
        self._opened: dict[str, OnMessage] = {}
        self.replies: list[tuple[str, bytes]] = []
        """What was sent back: the port's name and the message."""

    def names(self) -> list[str]:
        """Return the names of the inputs that are there now."""
        return list(self._present)

    def open(self, name: str, on_message: OnMessage) -> OpenPort:
        """Have ``on_message(message, time_us)`` called for what is sent from now on."""
        if name not in self._present:
            raise OSError(f"no MIDI input {name!r}")
        self._opened[name] = on_message
        return OpenPort(lambda: self._close(name, on_message))

    def output(self, name: str) -> OpenOutput | None:
        """Keep what is sent to the device from now on."""
        if name not in self._present:
            return None
        return OpenOutput(lambda message: self.replies.append((name, message)), lambda: None)

    def plug(self, name: str) -> None:
        """Make the input appear."""
        self._present.append(name)

    def unplug(self, name: str) -> None:
        """Make the input vanish, without a sign, as a pulled cable does."""
        self._present.remove(name)
        self._opened.pop(name, None)

    def send(self, name: str, message: Sequence[int], time_us: int) -> bool:
        """Send a message; False: nobody has the port open, or it is not there."""
        on_message = self._opened.get(name)
        if on_message is None:
            return False
        on_message(message, time_us)
        return True

    def _close(self, name: str, on_message: OnMessage) -> None:
        if self._opened.get(name) is on_message:
            del self._opened[name]
