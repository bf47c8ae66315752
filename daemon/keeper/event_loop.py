"""The daemon's parts, wired to real devices, and the loop around them.

Threads: the main loop is the first and only thread of ours; the MIDI library adds its own, and
the audio lives in another process.
"""

import contextlib
import logging
import mmap
import os
import selectors
import signal
import socket
import time
from collections.abc import Callable
from pathlib import Path

from daemon.commands import status, why
from daemon.diagnosis.event_log import EventLog
from daemon.errors import DeviceError
from daemon.ipc.layout import board_in, ring_in
from daemon.keeper.control_socket import AskLearn, AskLearned, AskWhy, ControlServer, Request
from daemon.keeper.instance_lock import InstanceLock
from daemon.keeper.keeper import TICK_S, Keeper
from daemon.keeper.midi_learn import PATIENCE_S, Learning, bound
from daemon.keeper.new_cards import NewCards
from daemon.keeper.report_file import Report
from daemon.keeper.session_state import SessionState, bring_back, stood
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.linux.boot import boot_id
from daemon.linux.inotify import DirectoryWatch
from daemon.linux.sd_notify import SystemdNotifier
from daemon.midi.channel_state import ChannelState
from daemon.midi.controllers import Controllers
from daemon.midi.port_choice import serial_of
from daemon.midi.ports import NoPorts, RtMidiPorts
from daemon.player.fork_server import ForkServer
from daemon.soundcard.card_list import present_cards
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.event_file import EventFile, event_file_path
from daemon.storage.last_good import LastGood
from daemon.storage.learned import LearnedFile
from daemon.storage.settings_files import SettingsFiles

log = logging.getLogger(__name__)

_SOUND = Path("/dev/snd")
# Between a device's node and the port or card that can be used pass some hundredths of a second.
_HURRY_S = 1.0
_HURRIED_TICK_S = 0.03
_MOST_REPORTED = 100

_STOPPING = (signal.SIGTERM, signal.SIGINT)


class Wiring:
    """The parts, wired to real devices, and the loop around them."""

    def __init__(
        self, settings: Path | None, seat: InstanceLock, memory: mmap.mmap, spawner: ForkServer
    ) -> None:
        self._spawner = spawner
        ring = ring_in(memory)
        self._selector = selectors.DefaultSelector()
        self._signals: set[int] = set()
        self._catch_signals()
        chase = ChannelState()
        self._notifier = SystemdNotifier()
        self._lives = PlayerSupervisor(
            self._spawner, ring, board_in(memory), chase, cards_stamp, NewCards(present_cards)
        )
        self._ports = midi_ports()
        pauses = DeferredWrites()
        self._chase, self._layered = chase, settings is None
        self._learning = Learning()
        self._learned = LearnedFile(pauses.request, lambda *w: self._files.write_own(*w))
        self._files = SettingsFiles(settings, last_good=LastGood(pauses.request))
        self._standing = SessionState(pauses.request, seat.path.with_name("standing.json"))
        report = Report(seat.path.parent, pauses, self._report)
        self._listener = Controllers(
            self._ports, ring.put, channel_state=chase, serial_of=serial_of, wake=self._wake
        )
        chronicle = EventLog(_clock_us, self._spawner.outcomes, _kept(), pauses)
        logging.getLogger().addHandler(chronicle.warning_handler())
        self._keeper = Keeper(
            self._files,
            self._listener,
            self._lives,
            self._notifier,
            clock_us=_clock_us,
            pauses=pauses,
            report=report.tick,
            switch_off=lambda: ask_for_power_off(seat.path.parent),
            chronicle=chronicle,
        )
        self._control = ControlServer(seat.path, self._answer, self._selector, time.monotonic)
        self._selector.register(self._spawner, selectors.EVENT_READ, lambda _: None)
        self._hurry_until_s = 0.0
        self._watch_devices_and_files()

    def loop(self) -> int:
        """Run until told to stop."""
        code = 0
        bring_back(self._standing.read(), self._chase, self._listener, self._lives)
        self._keeper.start()
        pause_s = min(TICK_S, (self._notifier.watchdog_s or 1.0) / 2)
        due_s = 0.0
        while not self._signals.intersection(_STOPPING):
            if signal.SIGHUP in self._signals:
                self._signals.discard(signal.SIGHUP)
                self._keeper.reload()
            ready = self._selector.select(max(due_s - time.monotonic(), 0.0))
            for key, events in ready:
                act: Callable[[int], None] = key.data
                act(events)
            urgent = any(key.fileobj in (self._spawner, self._watch) for key, _ in ready)
            if urgent or self._listener.sysex.waiting or time.monotonic() >= due_s:
                self._keeper.tick()
                self._learn()
                self._look_how_it_stands()
                self._control.tick()
                hurried = time.monotonic() < self._hurry_until_s
                due_s = time.monotonic() + (_HURRIED_TICK_S if hurried else pause_s)
            if not self._spawner.alive:
                log.error("no player can be made any more; leaving, to be started anew")
                code = 1
                break
        self._look_how_it_stands()
        self._keeper.stop()
        self._spawner.close()
        self._keeper.pauses.flush()
        self._control.close()
        self._ports.close()
        self._notifier.close()
        return code

    def _answer(self, request: Request) -> dict[str, object]:
        if isinstance(request, AskWhy):
            return self._keeper.chronicle.answer(request.boot, request.last)
        if isinstance(request, AskLearn):
            where = self._chase.controls()
            self._learning.begin(request.target, request.partial, where, time.monotonic())
        if isinstance(request, AskLearn | AskLearned):
            return self._learning_state()
        return self._keeper.status()

    def _report(self) -> str:
        lost = self._keeper.chronicle.answer(0, _MOST_REPORTED)
        return f"{status.readable(self._keeper.status())}\n{why.readable(lost)}"

    def _wake(self) -> None:
        """Have the loop go round once; for other threads."""
        with contextlib.suppress(BlockingIOError):
            self._wakeup[1].send(b"\0")

    def _learning_state(self) -> dict[str, object]:
        found = self._learning.found
        state = "waiting" if self._learning.waiting else "bound" if found else "given up"
        return {
            "state": state,
            "patience_s": PATIENCE_S,
            "control": found.binding.control if found else None,
            "controller": self._listener.name(found.place[0]) if found else "",
            "kept": self._layered,
        }

    def _learn(self) -> None:
        found = self._learning.look(self._chase.controls(), time.monotonic())
        if found is not None:
            new = found.binding
            bindings = bound(self._keeper.settings.bindings, new)
            which = f" {new.partial}" * bool(new.partial)
            self._keeper.bind(bindings, f"control {new.control} changes {new.target}{which}")
            if self._layered:
                self._learned.keep_bindings(bindings)
        if self._layered:
            self._learned.keep_sound(
                self._chase.programs(), self._keeper.settings, self._files.origins
            )

    def _look_how_it_stands(self) -> None:
        self._standing.look(stood(self._chase, self._listener, self._lives))

    def _watch_devices_and_files(self) -> None:
        """Have what is plugged in or saved wake the loop, where the kernel tells of it."""
        self._watch: DirectoryWatch | None = None
        try:
            self._watch = DirectoryWatch([_SOUND.parent, _SOUND, *self._files.folders])
        except OSError as fault:
            log.debug("devices and files are only looked for: %s", fault)
            return
        self._selector.register(self._watch, selectors.EVENT_READ, self._hurry)

    def _hurry(self, _: int) -> None:
        assert self._watch is not None
        changed = self._watch.changed()
        self._files.note_changes(changed)
        if any(_SOUND in (path, path.parent) for path in changed):
            self._hurry_until_s = time.monotonic() + _HURRY_S

    def _catch_signals(self) -> None:
        """Have signals wake the loop; nothing is done inside a handler but noting the number."""
        ours, theirs = socket.socketpair()
        for end in (ours, theirs):
            end.setblocking(False)
        signal.set_wakeup_fd(theirs.fileno(), warn_on_full_buffer=False)
        self._wakeup = ours, theirs
        for number in (*_STOPPING, signal.SIGHUP):
            signal.signal(number, lambda caught, _: self._signals.add(caught))
        self._selector.register(ours, selectors.EVENT_READ, lambda _: ours.recv(256) and None)


def _clock_us() -> int:
    return time.monotonic_ns() // 1000


def _kept() -> EventFile | None:
    """Return the file in which it is kept what happened; None: there is no folder for it."""
    path = event_file_path()
    if not path.parent.is_dir():
        return None
    try:
        return EventFile(path, boot_id())
    except OSError as error:
        log.warning("what happened before can't be read: %s: %s", path, error.strerror or error)
        return None


def midi_ports() -> RtMidiPorts | NoPorts:
    """Return the machine's MIDI inputs; none, told in a line, when the library is missing."""
    try:
        return RtMidiPorts()
    except DeviceError as fault:
        log.error("%s", fault)
        return NoPorts()


def ask_for_power_off(runtime: Path) -> None:
    """Leave a file that the system, which may, takes as the wish to be switched off."""
    try:
        (runtime / "poweroff").touch()
    except OSError as error:
        log.error("the board can't be switched off: %s: %s", runtime, error.strerror)


def cards_stamp() -> object:
    """Return what changes when a sound card comes or goes, or begins to be ours to open.

    A card that has just come belongs to root until udev has seen it: its node changes then.
    """
    try:
        with os.scandir("/dev/snd") as nodes:
            return sorted((node.name, node.stat().st_ctime_ns) for node in nodes)
    except OSError:
        return None
