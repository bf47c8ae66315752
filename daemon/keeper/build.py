"""The daemon's parts, made once and wired to real devices: from top to bottom, its boot order."""

import logging
import mmap
import selectors
import time
from functools import partial
from pathlib import Path

from config.library import OWNER_FOLDERS
from daemon.control.control_socket import ControlServer
from daemon.control.instance_lock import InstanceLock
from daemon.diagnosis.event_log import EventLog
from daemon.errors import DeviceError
from daemon.ipc.shared_memory import counters_in, ring_in
from daemon.keeper.answers import Answers
from daemon.keeper.event_loop import EventLoop, Signals, device_watch
from daemon.keeper.indicators import Indicators
from daemon.keeper.keeper import Keeper, Parts
from daemon.keeper.mixer_watch import MixerWatch
from daemon.keeper.new_cards import NewCards, cards_now, cards_stamp
from daemon.keeper.power_off import ask_for_power_off
from daemon.keeper.session_state import SessionState
from daemon.keeper.settings_watch import SettingsWatch
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.linux.board_health import BoardHealth
from daemon.linux.boot import boot_id
from daemon.linux.led import StatusLed
from daemon.linux.sd_notify import SystemdNotifier
from daemon.midi.channel_state import ChannelState
from daemon.midi.controllers import Controllers
from daemon.midi.lights import Lights
from daemon.midi.port_choice import serial_of
from daemon.midi.ports import NoPorts
from daemon.midi.rtmidi_ports import RtMidiPorts
from daemon.player.fork_server import ForkServer
from daemon.soundcard.speakers import SpeakerWatch
from daemon.storage.deferred_writes import DeferredWrites, in_thread
from daemon.storage.event_file import EventFile, event_file_path
from daemon.storage.kept_sounds import KeptSounds
from daemon.storage.last_good import LastGood
from daemon.storage.learned import LearnedFile
from daemon.storage.report_file import Report
from daemon.storage.settings_files import SettingsFiles

log = logging.getLogger(__name__)


def build(
    settings: Path | None, lock: InstanceLock, memory: mmap.mmap, fork_server: ForkServer
) -> EventLoop:
    """Make everything.

    Parameters
    ----------
    settings
        A file that stands for all settings files; None: the usual ones.
    lock
        Its folder also has the control socket, and files that do not outlive the power.
    memory, fork_server
        Made before any thread is.
    """
    selector = selectors.DefaultSelector()
    signals = Signals()
    notifier = SystemdNotifier()
    runtime = lock.path.parent

    writes = DeferredWrites(in_thread)
    kept = KeptSounds()
    files = SettingsFiles(
        settings,
        last_good=LastGood(writes.request),
        sound_folders=(OWNER_FOLDERS[0], kept.folder),
    )
    learned = LearnedFile(writes.request, files.own_write) if settings is None else None
    event_log = EventLog(_clock_us, fork_server.note_events, _event_file(), writes)
    logging.getLogger().addHandler(event_log.warning_handler())

    ring = ring_in(memory)
    channel_state = ChannelState()
    ports = _midi_ports()
    controllers = Controllers(
        ports, ring.put, channel_state=channel_state, serial_of=serial_of, wake=signals.wake
    )
    speakers = SpeakerWatch()
    supervisor = PlayerSupervisor(
        *(fork_server, ring, counters_in(memory), channel_state),
        *(cards_stamp, NewCards(partial(cards_now, speakers))),
    )

    parts = Parts(
        settings=SettingsWatch(files),
        controllers=controllers,
        supervisor=supervisor,
        indicators=Indicators(
            supervisor.cue, StatusLed(), Lights(controllers.send, channel_state.standing)
        ),
        notifier=notifier,
        event_log=event_log,
        writes=writes,
        session=SessionState(
            *(channel_state, controllers, supervisor, writes.request),
            lock.path.with_name("standing.json"),
        ),
        kept=kept,
        learned=learned,
        report=Report(runtime, writes),
        health=BoardHealth(),
        mixer_watch=MixerWatch(),
        switch_off=partial(ask_for_power_off, runtime),
        clock_us=_clock_us,
    )
    keeper = Keeper(parts)
    answers = Answers(keeper, controllers, supervisor, keeper.shaping, _clock_us)

    control = ControlServer(
        *(lock.path, answers.answer, selector, time.monotonic),
        left=answers.left,
        ticked=answers.tick,
    )
    return EventLoop(
        keeper,
        selector=selector,
        signals=signals,
        fork_server=fork_server,
        control=control,
        controllers=controllers,
        files=files,
        watch=device_watch(files.folders),
        wait_s=(notifier.watchdog_s or 1.0) / 2,
        closing=[control.close, ports.close, speakers.close, notifier.close],
    )


def _clock_us() -> int:
    return time.monotonic_ns() // 1000


def _event_file() -> EventFile | None:
    """Return the file that keeps what happened; None: there is no folder for it."""
    path = event_file_path()
    if not path.parent.is_dir():
        return None
    try:
        return EventFile(path, boot_id())
    except OSError as error:
        log.warning("earlier events can't be read: %s: %s", path, error.strerror or error)
        return None


def _midi_ports() -> RtMidiPorts | NoPorts:
    """Return the machine's MIDI inputs; none, after a line in the log, without the library."""
    try:
        return RtMidiPorts()
    except DeviceError as fault:
        log.error("%s", fault)
        return NoPorts()
