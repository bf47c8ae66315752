"""The keeper: everything the player must not be kept waiting by.

It looks for controllers, sees to it that a player runs while there is a card, puts edited
settings in force, answers, and reports to systemd and the log. It has no device of its own: what it
works with is handed to it, time included, so it runs in virtual time as well.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.
"""

import logging
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from config.bindings import Binding
from config.settings import Settings
from config.toml.wording import counted
from daemon.control.requests import AskKnobs, AskStatus, AskWhy, Request
from daemon.diagnosis.event_log import EventLog
from daemon.diagnosis.rate_limit import LoadShedReport, MissedReport
from daemon.diagnosis.readable import readable_losses, readable_status
from daemon.ipc.counters import Snapshot
from daemon.ipc.messages import Gesture, LogLine, Reply
from daemon.keeper.change_log import TICK_S, ChangeLog
from daemon.keeper.indicators import Indicators
from daemon.keeper.learning import Learning
from daemon.keeper.mixer_watch import MixerWatch
from daemon.keeper.note_totals import NoteUnheard
from daemon.keeper.power_off import PowerOff
from daemon.keeper.session_state import SessionState
from daemon.keeper.settings_watch import SettingsWatch, changes
from daemon.keeper.shaping import Shaping
from daemon.keeper.status_fields import figures, names, sentence
from daemon.keeper.supervisor import PlayerEnded, PlayerReady, PlayerSupervisor
from daemon.linux.board_health import BoardHealth
from daemon.linux.sd_notify import SystemdNotifier
from daemon.midi.controllers import Controllers
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.kept_sounds import KeptSounds
from daemon.storage.learned import LearnedFile
from daemon.storage.report_file import Report
from daemon.storage.settings_files import LoadedSettings

log = logging.getLogger(__name__)

_MOST_REPORTED = 100


class Parts(NamedTuple):
    """What a keeper keeps."""

    settings: SettingsWatch
    controllers: Controllers
    supervisor: PlayerSupervisor
    indicators: Indicators
    notifier: SystemdNotifier
    event_log: EventLog
    writes: DeferredWrites
    """When to write to the card; the caller flushes it once the player has gone."""
    session: SessionState
    kept: KeptSounds
    learned: LearnedFile | None
    """None: the settings come from one file, and nothing is kept beside it."""
    report: Report
    health: BoardHealth
    mixer_watch: MixerWatch
    switch_off: Callable[[], None]
    """Asks for the power to be taken away."""
    clock_us: Callable[[], int]


class Keeper:
    """The daemon, but for its devices and its loop."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._controllers, self._supervisor = parts.controllers, parts.supervisor
        self._event_log, self._indicators = parts.event_log, parts.indicators
        self._clock_us = parts.clock_us
        self._loaded, self._changes = LoadedSettings(Settings()), ChangeLog()
        self._learning = Learning(
            *(parts.controllers, parts.learned, self, parts.writes.hurry),
            lambda: parts.clock_us() / 1e6,
        )
        self.shaping = Shaping(
            *(self, parts.controllers, parts.kept, parts.writes, parts.learned),
            *(lambda: parts.supervisor.playing, parts.clock_us),
        )
        self._power_off = PowerOff()
        self._missed, self._load_shed, self._progress = MissedReport(), LoadShedReport(), False
        self._started_us = self._pinged_us = parts.clock_us()

    @property
    def loaded(self) -> LoadedSettings:
        """The settings in force, and where each comes from."""
        return self._loaded

    @property
    def settings(self) -> Settings:
        """Those in force."""
        return self._loaded.settings

    def start(self) -> None:
        """Put the settings in force and say so."""
        self._parts.session.restore()
        self._event_log.begin(self._parts.health.course)
        now_us = self._clock_us()
        loaded, _ = self._parts.settings.load()
        for fault in loaded.faults:
            log.error("%s", fault)
        if loaded.faults:
            log.warning("playing without the faulty settings")
            self._indicators.cue("refused", now_us)
        self._put_in_force(loaded, now_us)
        # The player opens its card while MIDI is opened here.
        self._look_after_player(now_us)
        self._look_for_controllers(self._clock_us())
        if not self._controllers.controllers:
            wanted = f" matches '{name}'" if (name := self.settings.controller.name) else " seen"
            log.info("no controller%s yet; looking every %.2f s", wanted, TICK_S)
        self._parts.notifier.ready()

    def tick(self) -> None:
        """Do what is due; several times a second, and when the player has something to say."""
        now_us = self._clock_us()
        self._changes.tick(now_us)
        self._look_for_controllers(now_us)
        if self._parts.settings.edited(now_us):
            self.reload()
        if self._parts.health.tick(now_us):
            self._indicators.cue("unwell", now_us)
        self._look_after_player(now_us)
        self._parts.mixer_watch.tick(self._supervisor.card, now_us)
        running = self._supervisor.snapshot()
        self._watch_power(now_us)
        self._indicators.tick(
            *(self._supervisor.playing, running, self._controllers.controllers.keys()),
            *(self._power_off.begun, now_us),
        )
        self._diagnose(running, now_us)
        self._learning.look()
        self._parts.session.look()
        note_ons, sounding = self._supervisor.note_ons, running.sounding if running else 0
        self._parts.writes.tick(note_ons, sounding, now_us)
        self._notify(now_us)

    def reload(self) -> None:
        """Read the settings again; a fault in them changes nothing."""
        now_us = self._clock_us()
        self._parts.notifier.reloading(now_us)
        loaded, edited = self._parts.settings.load()
        lines = [LogLine(fault, "error") for fault in loaded.faults]
        if loaded.faults:
            lines.append(LogLine("settings left as they were", "warning"))
            self._indicators.cue("refused", now_us)
        else:
            new = changes(self.settings, loaded.settings)
            self._put_in_force(loaded, now_us)
            lines.append(LogLine(f"settings read again: {self._summary()}{new}"))
        for line in lines:
            # Asked for again and again without an edit, it is logged once, and summed.
            self._changes.line(line, now_us, fresh=edited)
        self._parts.notifier.ready()

    def stop(self) -> None:
        """Say goodbye; the caller ends the player."""
        now_us = self._clock_us()
        self._parts.session.look()
        self._parts.notifier.stopping()
        self._indicators.close()
        running = self._supervisor.snapshot()
        accounts = self._supervisor.totals.accounts(running)
        self._diagnose(running, now_us)
        self._event_log.stop(now_us)
        self._missed.flush(now_us)
        self._changes.flush(now_us)
        self._supervisor.stop(now_us)
        self._controllers.close()
        notes, ran_s = counted(sum(accounts.values()), "note"), (now_us - self._started_us) / 1e6
        log.info("stopped after %.0f s: %s received", ran_s, notes)

    def status(self) -> dict[str, Any]:
        """Return the state in figures."""
        return figures(
            self._supervisor,
            self._controllers,
            self._loaded,
            closed=self._parts.mixer_watch.lines,
            health=self._parts.health.as_plain(),
            boot=self._event_log.boot,
            running_s=(self._clock_us() - self._started_us) / 1e6,
        )

    def answer(self, request: Request) -> dict[str, Any]:
        """Return what a request asks for: the state, what was lost, what is learned."""
        match request:
            case AskStatus():
                return self.status()
            case AskWhy():
                return self._event_log.answer(request.boot, request.last)
        assert isinstance(request, AskKnobs)
        return self._learning.answer(request)

    def _report(self) -> str:
        losses = self._event_log.answer(0, _MOST_REPORTED)
        return f"{readable_status(self.status())}\n{readable_losses(losses)}"

    def use_bindings(self, bindings: Sequence[Binding], **more: Any) -> None:
        """Put other bindings in force, and whatever other settings are given."""
        settings = self.settings.model_copy(update={"bindings": list(bindings), **more})
        self._put_in_force(self._loaded._replace(settings=settings, remarks=[]), self._clock_us())

    def _look_for_controllers(self, now_us: int) -> None:
        for change in self._controllers.poll(now_us):
            if change.kind != "refused":
                self._indicators.cue(change.kind, now_us)
            self._changes.controller(change, now_us)
        for controller, message in self._controllers.sysex.fetch():
            self._supervisor.exclusive(controller, message)

    def _look_after_player(self, now_us: int) -> None:
        events = self._supervisor.step(now_us)
        # What a player left is read before the next one begins.
        while events:
            ended = False
            for event in events:
                match event:
                    case PlayerReady():
                        self._player_ready(event)
                    case PlayerEnded():
                        ended = True
                        self._player_ended(event, now_us)
                    case NoteUnheard(time_us, controller, message):
                        self._event_log.unheard(time_us, controller, message)
                    case Reply(controller, message):
                        self._controllers.send(controller, message)
                    case Gesture():
                        self._learning.gesture(event)
                        self._indicators.gesture(event, self.shaping.gestured(event))
                    case LogLine():
                        self._changes.line(event, now_us)
            events = self._supervisor.step(now_us) if ended else []
        self._progress = self._progress or self._supervisor.progress

    def _player_ready(self, ready: PlayerReady) -> None:
        if ready.silent_us is None:
            self._event_log.ready_us = self._clock_us()
        heard = names(self._controllers) or "none yet"
        words = f"{self._summary()}, {ready.output}; controllers: {heard}"
        self._changes.player_ready(ready, words)

    def _player_ended(self, ended: PlayerEnded, now_us: int) -> None:
        if ended.last.blocks:
            self._missed.look(ended.last, self._supervisor.overflows, now_us)
            self._event_log.player_ended(ended.last, ended.text, now_us)
        self._changes.player_ended(ended, now_us)

    def _diagnose(self, running: Snapshot | None, now_us: int) -> None:
        if running is not None:
            self._missed.look(running, self._supervisor.overflows, now_us)
            self._load_shed.look(running, now_us)
        self._event_log.names = self._controllers.controllers
        self._event_log.tick(now_us, running, self._supervisor.totals.accounts(running))

    def _put_in_force(self, loaded: LoadedSettings, now_us: int) -> None:
        for remark in loaded.remarks:
            log.warning("%s", remark)
        self._loaded, settings = loaded, loaded.settings
        self._indicators.use(settings)
        self._power_off.settings = settings.power
        self._event_log.settings = settings
        self._controllers.use(settings.controller)
        self._supervisor.use(settings, self.shaping.over(loaded.sounds), now_us)

    def _watch_power(self, now_us: int) -> None:
        down = self._controllers.channel_state.keys_down()
        match self._power_off.step(down, self._parts.health.reading.charges, now_us):
            case "soon":
                self._indicators.cue("unwell", now_us)
            case "farewell":
                self.shaping.last_words()
                self._controllers.release_all(now_us)
                self._indicators.cue("farewell", now_us)
            case "power":
                self._parts.writes.flush()
                self._parts.switch_off()

    def _notify(self, now_us: int) -> None:
        notifier, state = self._parts.notifier, sentence(self._supervisor, self._controllers)
        if self.settings.report.write:
            stamp = (state, self._supervisor.note_ons, *self._parts.health.warnings)
            self._parts.report.tick(stamp, now_us, self._report)
        notifier.status(state)
        period_s = notifier.watchdog_s
        if period_s and self._progress and now_us - self._pinged_us >= period_s * 0.4e6:
            notifier.watchdog()
            self._pinged_us, self._progress = now_us, False

    def _summary(self) -> str:
        return f"{self.settings.polyphony} voices, sound '{self.settings.sound.name}'"
