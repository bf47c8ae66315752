"""Whether the device or program behind an open input is still the one it was opened for.

Threads: one.

One that went and came back between two looks has its old name, but the open input is deaf to it. A
device has a new node then, a program over ALSA is connected to nothing, one over JACK has a new
semaphore.
"""

from pathlib import Path

from daemon.linux.sequencer import card_of_client, is_program, listeners
from daemon.linux.sysfs import matching
from daemon.midi.jack_server import client_identity
from daemon.midi.port_choice import ALSA_NUMBERS


class PortLives:
    """The open inputs, by name.

    Parameters
    ----------
    sound_devices
        The folder with the interfaces' device nodes.
    proc
        The folder with the sequencer's list of clients.
    """

    def __init__(self, sound_devices: Path, proc: Path = Path("/proc")) -> None:
        self._sound_devices, self._proc = sound_devices, proc
        self._before: dict[str, frozenset[str]] = {}
        self._known: dict[str, object] = {}
        self._links: dict[str, frozenset[str]] = {}

    def __len__(self) -> int:
        """Return how many are open."""
        return len(self._known)

    def expect(self, name: str) -> None:
        """Say that an input is about to be opened."""
        self._before[name] = self._listeners(name)

    def begin(self, name: str, system: str) -> None:
        """Say that it has been opened; ``system`` is where."""
        self._links[name] = self._listeners(name) - self._before.pop(name, frozenset())
        self._known[name] = self._identity(name, system)

    def end(self, name: str) -> None:
        """Say that it has been closed."""
        self._known.pop(name, None)
        self._links.pop(name, None)

    def goes_on(self, name: str, system: str) -> bool:
        """Return whether an input is the one that was opened, or not open."""
        return name not in self._known or self._identity(name, system) == self._known[name]

    def _identity(self, name: str, system: str) -> object:
        """Return what changes when the device behind a port is plugged in again."""
        if system == "JACK":
            return client_identity(name.partition(":")[0])
        numbers = ALSA_NUMBERS.search(name)
        if system != "ALSA" or not numbers:
            return None
        if is_program(int(numbers[1])):
            return self._links[name] <= self._listeners(name)
        try:
            nodes = matching(self._sound_devices, f"midiC{card_of_client(int(numbers[1]))}D*")
            return [node.stat().st_ino for node in nodes]
        except OSError:
            return None

    def _listeners(self, name: str) -> frozenset[str]:
        """Return what a program's port is connected to; none if it is a device's, or not ALSA's."""
        numbers = ALSA_NUMBERS.search(name)
        if not numbers or not is_program(int(numbers[1])):
            return frozenset()
        return listeners(int(numbers[1]), int(numbers[2]), self._proc)
