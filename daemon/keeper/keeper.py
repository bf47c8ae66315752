"""The keeper: everything the player must not be kept waiting by.

It looks for controllers, sees to it that a player lives while there is a card, puts edited
settings in force, and tells systemd and the log. It has no device of its own: what it works with
is handed to it, time included, so it runs in virtual time as well.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.
"""

import logging
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any, Protocol

from config.settings import Binding, Settings
from config.wording import counted
from daemon.diagnosis.event_log import EventLog
from daemon.diagnosis.rate_limit import Repeats
from daemon.keeper.indicators import Indicators
from daemon.keeper.mixer_watch import MixerWatch
from daemon.keeper.poweroff_chord import HOLD_US, PowerOffChord
from daemon.keeper.settings_diff import changes
from daemon.keeper.status_fields import figures
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.linux.board_health import BoardHealth
from daemon.linux.led import StatusLed
from daemon.linux.sd_notify import SystemdNotifier
from daemon.midi.controllers import Controllers, DeviceChange
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.settings_files import LoadedSettings

log = logging.getLogger(__name__)

TICK_S = 0.25
"""How often controllers are looked for, and files."""
SETTLED_US = 200_000


class SettingsSource(Protocol):
    """Where settings come from."""

    def load(self) -> LoadedSettings:
        """Read them."""

    def stamp(self) -> object:
        """Return what changes when they do."""


class Keeper:
    """The daemon, but for its devices and its loop.

    Parameters
    ----------
    source
        Where settings and sounds come from.
    listener
        The controllers.
    lives
        The players.
    notifier
        To systemd.
    clock_us
        The monotonic clock.
    pauses
        When to write to the card; the caller flushes it once the player has gone.
    health
        The board's; the machine's own where none is given.
    lamp
        The board's light; likewise.
    switch_off
        Asks for the power to be taken away.
    report
        Takes what a report would say differently, when one is wanted, and the time.
    chronicle
        Told what goes on, and asked what went wrong.
    mixer
        Looks after the mixer of the card that plays; the kernel's where none is given.
    """

    def __init__(
        self,
        source: SettingsSource,
        listener: Controllers,
        lives: PlayerSupervisor,
        notifier: SystemdNotifier,
        clock_us: Callable[[], int],
        pauses: DeferredWrites | None = None,
        health: BoardHealth | None = None,
        lamp: StatusLed | None = None,
        switch_off: Callable[[], None] = lambda: None,
        report: Callable[[object, int], None] = lambda state, now_us: None,
        chronicle: EventLog | None = None,
        mixer: MixerWatch | None = None,
    ) -> None:
        self.settings = Settings()
        self.pauses = pauses or DeferredWrites()
        self.chronicle = chronicle or EventLog(clock_us)
        self._health = health or BoardHealth()
        self._mixer = mixer or MixerWatch()
        self._signs = Indicators(lives.cue, lamp)
        self._chord = PowerOffChord()
        self._switch_off, self._report = switch_off, report
        self._source, self._listener, self._lives = source, listener, lives
        self._notifier, self._clock_us = notifier, clock_us
        self._loaded = LoadedSettings(self.settings)
        self._stamp: object = None
        self._settling: object = None
        self._settling_us = 0
        self._repeats = Repeats(log)
        self._lost_us: dict[int, int] = {}
        self._started_us = self._pinged_us = clock_us()
        self._progress = False
        lives.on_ready, lives.on_reply = self._tell_ready, listener.reply
        lives.on_end = self.chronicle.player_ended
        lives.tally.unheard = self.chronicle.unheard

    def start(self) -> None:
        """Put the settings in force and say so."""
        self.chronicle.begin()
        self._stamp = self._settling = self._source.stamp()
        loaded = self._source.load()
        for fault in loaded.faults:
            log.error("%s", fault)
        if loaded.faults:
            log.warning("playing without the faulty settings")
            self._signs.tell("refused", self._clock_us())
        self._put_in_force(loaded)
        # The player opens its card while MIDI is opened here.
        self._lives.tick(self._clock_us())
        self._look_for_controllers(self._clock_us())
        if not self._listener.controllers:
            wanted = f" matches '{self.settings.controller.name}'" * bool(
                self.settings.controller.name
            )
            log.info("no controller%s yet; looking every %.2f s", wanted or " seen", TICK_S)
        self._notifier.ready()

    def tick(self) -> None:
        """Do what is due; several times a second, and when the player has something to say."""
        now_us = self._clock_us()
        self._repeats.tick(now_us)
        self._look_for_controllers(now_us)
        self._look_for_edits(now_us)
        if self._health.tick(now_us):
            self._signs.tell("unwell", now_us)
        if self._lives.tick(now_us):
            self._progress = True
        self._mixer.tick(self._lives.card, now_us)
        snapshot = self._lives.snapshot()
        self._show_signs(snapshot.sounding if snapshot else 0, now_us)
        self.chronicle.names = self._listener.controllers
        self.chronicle.tick(now_us, snapshot, self._lives.tally.accounts(snapshot))
        self.pauses.tick(self._lives.struck, snapshot.sounding if snapshot else 0, now_us)
        if self.settings.report.write:
            self._report((self.describe(), self._lives.struck, *self._health.warnings), now_us)
        self._notifier.status(self.describe())
        period_s = self._notifier.watchdog_s
        if period_s and self._progress and now_us - self._pinged_us >= period_s * 0.4e6:
            self._notifier.watchdog()
            self._pinged_us, self._progress = now_us, False

    def reload(self) -> None:
        """Read the settings again; a fault in them changes nothing."""
        now_us = self._clock_us()
        self._notifier.reloading(now_us)
        stamp = self._source.stamp()
        # Asked for again and again without an edit, it is told once, and summed.
        tell = log.log if stamp != self._stamp else partial(self._tell_again, now_us)
        self._stamp = self._settling = stamp
        loaded = self._source.load()
        if loaded.faults:
            for fault in loaded.faults:
                tell(logging.ERROR, "%s", fault)
            tell(logging.WARNING, "%s", "settings left as they were")
            self._signs.tell("refused", now_us)
        else:
            new = changes(self.settings, loaded.settings)
            self._put_in_force(loaded)
            tell(logging.INFO, "%s", f"settings read again: {self._summary()}{new}")
        self._notifier.ready()

    def stop(self) -> None:
        """Say goodbye; the caller ends the player."""
        now_us = self._clock_us()
        self._notifier.stopping()
        self._signs.close()
        snapshot = self._lives.snapshot()
        accounts = self._lives.tally.accounts(snapshot)
        self.chronicle.tick(now_us, snapshot, accounts)
        self.chronicle.stop(now_us)
        self._repeats.flush(now_us)
        self._lives.stop(now_us)
        self._listener.close()
        notes = counted(sum(accounts.values()), "note")
        log.info("stopped after %.0f s: %s received", (now_us - self._started_us) / 1e6, notes)

    def describe(self) -> str:
        """Return the state in one line."""
        names = ", ".join(f"'{name}'" for name in self._listener.controllers.values())
        heard = names or "no controller yet"
        output = self._lives.output
        if output is None:
            return f"silent: {self._lives.reason}; hearing {heard}"
        return f"playing {heard} on '{output['card']['name']}'"

    def status(self) -> dict[str, Any]:
        """Return the state in figures."""
        return figures(
            self._lives,
            self._listener,
            self._loaded,
            closed=self._mixer.lines,
            health=self._health.as_plain(),
            boot=self.chronicle.boot,
            running_s=(self._clock_us() - self._started_us) / 1e6,
        )

    def bind(self, bindings: list[Binding], words: str) -> None:
        """Put other bindings in force, and say so."""
        settings = self.settings.model_copy(update={"bindings": bindings})
        self._put_in_force(replace(self._loaded, settings=settings, remarks=[]))
        log.info("learned: %s", words)

    def _tell_again(self, now_us: int, level: int, _: str, text: str) -> None:
        self._repeats.tell(level, text, now_us)

    def _look_for_controllers(self, now_us: int) -> None:
        for change in self._listener.poll(now_us):
            self._tell_change(change, now_us)
        for controller, message in self._listener.sysex.fetch():
            self._lives.exclusive(controller, message)

    def _look_for_edits(self, now_us: int) -> None:
        stamp = self._source.stamp()
        # An editor may be in the middle of writing: unchanged for a moment means it is done.
        if stamp != self._settling:
            self._settling, self._settling_us = stamp, now_us
        elif stamp != self._stamp and now_us - self._settling_us >= SETTLED_US:
            self.reload()

    def _put_in_force(self, loaded: LoadedSettings) -> None:
        for remark in loaded.remarks:
            log.warning("%s", remark)
        self._loaded, self.settings = loaded, loaded.settings
        self._signs.use(loaded.settings)
        self._chord.keys = frozenset(loaded.settings.power.off_keys)
        self.chronicle.settings = loaded.settings
        self._listener.wanted = loaded.settings.controller.name
        self._listener.wanted_serial = loaded.settings.controller.serial
        self._lives.use(loaded.settings, loaded.sounds, self._clock_us())

    def _show_signs(self, sounding: int, now_us: int) -> None:
        listener = self._listener
        self._signs.tick(self._lives.playing, sounding, len(listener.controllers), now_us)
        if self._chord.held(listener.channel_state.keys_down(), now_us):
            log.warning("switching off: its chord was held for %.0f s", HOLD_US / 1e6)
            listener.release_all(now_us)
            self._signs.say_farewell(now_us)
        if self._signs.said_farewell(now_us):
            self.pauses.flush()
            self._switch_off()

    def _tell_change(self, change: DeviceChange, now_us: int) -> None:
        if change.kind != "refused":
            self._signs.tell(change.kind, now_us)
        number = change.controller + 1
        if change.kind == "lost":
            held = f"; {counted(change.held, 'held note')} released" if change.held else ""
            log.warning("controller lost: '%s'%s; looking every %.2f s", change.name, held, TICK_S)
            self._lost_us[change.controller] = now_us
        elif change.kind == "refused":
            log.warning("controller refused: '%s': %s", change.name, change.reason)
        elif change.controller in self._lost_us:
            away_s = (now_us - self._lost_us.pop(change.controller)) / 1e6
            log.info(
                "controller reconnected: '%s' as controller %d, away %.1f s",
                *(change.name, number, away_s),
            )
        else:
            log.info("controller connected: '%s' as controller %d", change.name, number)

    def _tell_ready(self, output: str) -> None:
        self.chronicle.ready_us = self._clock_us()
        names = ", ".join(f"'{name}'" for name in self._listener.controllers.values())
        log.info("ready: %s, %s; controllers: %s", self._summary(), output, names or "none yet")

    def _summary(self) -> str:
        return f"{self.settings.polyphony} voices, sound '{self.settings.sound.name}'"
