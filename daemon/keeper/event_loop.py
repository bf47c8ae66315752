"""The main loop: waits for player, devices, files, clients and signals; the keeper does the rest.

Units: seconds of the monotonic clock.
Threads: the main loop is the first thread; a write to the memory card has one for as long as it
takes, the MIDI library adds its own, and the audio lives in another process. `Signals.wake` is for
any thread.
"""

import contextlib
import logging
import selectors
import signal
import socket
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from daemon.control.control_socket import ControlServer
from daemon.keeper.change_log import TICK_S
from daemon.keeper.keeper import Keeper
from daemon.linux.inotify import DirectoryWatch
from daemon.midi.controllers import Controllers
from daemon.player.fork_server import ForkServer
from daemon.storage.settings_files import SettingsFiles

log = logging.getLogger(__name__)

SOUND_NODES = Path("/dev/snd")
# Between a device's node and the port or card that can be used pass some hundredths of a second.
_HURRY_S = 1.0
_HURRIED_TICK_S = 0.03

_LAST_WORDS_S = 0.5
_STOP_S, _LEAST_S = 4.5, 1.0
"""How long the end takes, writing included, below what the service manager waits for; and what
writing is given of it at least."""
_STOPPING = {signal.SIGTERM, signal.SIGINT}


class Signals:
    """The signals that have come; nothing is done inside a handler but noting the number."""

    def __init__(self) -> None:
        self._ours, self._theirs = socket.socketpair()
        for end in (self._ours, self._theirs):
            end.setblocking(False)
        self._caught: set[int] = set()
        signal.set_wakeup_fd(self._theirs.fileno(), warn_on_full_buffer=False)
        for number in (*_STOPPING, signal.SIGHUP):
            signal.signal(number, lambda caught, _: self._caught.add(caught))

    @property
    def stopping(self) -> bool:
        """Whether the daemon has been told to stop."""
        return bool(self._caught & _STOPPING)

    def take_reload(self) -> bool:
        """Return whether a reload was asked for since the last call."""
        asked = signal.SIGHUP in self._caught
        self._caught.discard(signal.SIGHUP)
        return asked

    def fileno(self) -> int:
        """Return the descriptor that becomes readable when the loop is to go round."""
        return self._ours.fileno()

    def drain(self, _: int) -> None:
        """Take what has woken the loop."""
        with contextlib.suppress(BlockingIOError):
            self._ours.recv(256)

    def wake(self) -> None:
        """Have the loop go round once; for any thread."""
        with contextlib.suppress(BlockingIOError):
            self._theirs.send(b"\0")


def device_watch(folders: Sequence[Path]) -> DirectoryWatch | None:
    """Return what notices devices and edits at once; None: they are only looked for."""
    try:
        return DirectoryWatch([SOUND_NODES.parent, SOUND_NODES, *folders])
    except OSError as fault:
        log.debug("no notice of new devices and files, so they are looked for: %s", fault)
        return None


class EventLoop:
    """The loop around the keeper.

    Parameters
    ----------
    selector
        What it waits with; the control server has registered its socket there.
    wait_s
        The longest wait, for a keeper that must feed a watchdog.
    closing
        What is closed at the end, in this order.
    """

    def __init__(
        self,
        keeper: Keeper,
        *,
        selector: selectors.BaseSelector,
        signals: Signals,
        fork_server: ForkServer,
        control: ControlServer,
        controllers: Controllers,
        files: SettingsFiles,
        watch: DirectoryWatch | None,
        wait_s: float,
        closing: Sequence[Callable[[], None]],
    ) -> None:
        self._keeper, self._selector, self._signals = keeper, selector, signals
        self._fork_server, self._control, self._controllers = fork_server, control, controllers
        self._files, self._watch, self._shaping = files, watch, keeper.shaping
        self._wait_s, self._closing = min(TICK_S, wait_s), closing
        self._hurry_until_s = 0.0
        self._urgent = False
        selector.register(signals, selectors.EVENT_READ, signals.drain)
        selector.register(fork_server, selectors.EVENT_READ, self._hear_fork_server)
        if watch is not None:
            selector.register(watch, selectors.EVENT_READ, self._look_at_changes)

    def run(self) -> int:
        """Run until told to stop; return the exit code."""
        code = 0
        self._keeper.start()
        due_s = 0.0
        while not self._signals.stopping:
            if self._signals.take_reload():
                self._keeper.reload()
            self._wait(max(due_s - time.monotonic(), 0.0))
            if self._urgent or self._controllers.sysex.waiting or time.monotonic() >= due_s:
                self._keeper.tick()
                self._control.tick()
                hurried = time.monotonic() < self._hurry_until_s
                due_s = time.monotonic() + (_HURRIED_TICK_S if hurried else self._wait_s)
            if not self._fork_server.alive:
                log.error("player process failed; exiting for restart")
                code = 1
                break
        until_s = time.monotonic() + _STOP_S
        self._hear_last_words()
        self._keeper.stop()
        self._fork_server.close()
        self._shaping.close(max(until_s - time.monotonic(), _LEAST_S))
        for close in self._closing:
            close()
        return code

    def _hear_last_words(self) -> None:
        """Let the player tell what knobs have made of the sound, if that is to be kept."""
        until_s = time.monotonic() + _LAST_WORDS_S
        while self._fork_server.alive and self._shaping.last_words():
            if (left_s := until_s - time.monotonic()) <= 0.0:
                return
            self._wait(min(_HURRIED_TICK_S, left_s))
            self._keeper.tick()

    def _wait(self, at_most_s: float) -> None:
        """Wait until something comes, and have it dealt with."""
        wanted = selectors.EVENT_READ
        if self._fork_server.sending:
            wanted |= selectors.EVENT_WRITE
        key = self._selector.get_key(self._fork_server)
        if key.events != wanted:
            self._selector.modify(self._fork_server, wanted, key.data)
        self._urgent = False
        for key, events in self._selector.select(at_most_s):
            key.data(events)

    def _hear_fork_server(self, _: int) -> None:
        self._urgent = True

    def _look_at_changes(self, _: int) -> None:
        assert self._watch is not None
        self._urgent = True
        changed = self._watch.changed()
        self._files.note_changes(changed)
        if any(SOUND_NODES in (path, path.parent) for path in changed):
            self._hurry_until_s = time.monotonic() + _HURRY_S
