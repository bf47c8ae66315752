"""The player process: it owns the sound card, plays, and leaves when the card does.

Threads: PortAudio's callback renders; the main thread waits for settings, watches the stream, and
ends the process. One process for each life of a card, so PortAudio always begins afresh.

The process speaks only through its link: nothing of it reaches the terminal or the journal but
the messages that the keeper logs. It ends with an `ExitStatus`, or by a signal.
"""

import os
import select
import signal
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Literal, NoReturn

from config.settings import Settings
from config.sound import Sound
from daemon.ipc.counters import SharedCounters
from daemon.ipc.json_link import Link
from daemon.ipc.message_ring import MessageRing
from daemon.ipc.messages import (
    Cue,
    Ended,
    Exclusive,
    ExitStatus,
    Level,
    LogLine,
    NewSettings,
    Ready,
    Start,
)
from daemon.ipc.note_events import NoteEvents
from daemon.linux.sound_devices import may_open_all
from daemon.linux.stderr import silence_libraries
from daemon.player import realtime
from daemon.player.beginning import beginning, prepared, warm_up
from daemon.player.cue_tones import cue_samples
from daemon.player.engine import Engine
from daemon.player.open_card import await_access, candidates, has_come, open_first
from daemon.player.realtime import Grant
from daemon.soundcard.alsa_control import ControlDevice
from daemon.soundcard.card import LISTENING, Card
from daemon.soundcard.mixer import correct
from daemon.soundcard.output import OutputError, leave_portaudio
from daemon.soundcard.stream import Stream, open_stream

_POLL_S = 0.1
_FIRST_BLOCK_S = 3.0
_FADE_S = 1.0
_FAULTY_S = 0.5
_LEAVE_S = 0.5
_LINE = 1000


@contextmanager
def undisturbed() -> Iterator[None]:
    """Keep the stop for later: a signal would cut a library's calls short, and they would fail."""
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})


class Player:
    """One life of a card.

    Parameters
    ----------
    ring, counters, note_events
        The parts of the shared memory.
    link
        To the fork server.
    """

    def __init__(
        self, ring: MessageRing, counters: SharedCounters, note_events: NoteEvents, link: Link
    ) -> None:
        self._ring, self._counters, self._note_events = ring, counters, note_events
        self._link = link
        self._asked_to_stop = False
        self._grants: list[Grant] = []

    def live(self, job: Start) -> NoReturn:
        """Open the card, play, and leave the process."""
        try:
            status = self._live(job)
        except Exception as error:  # noqa: BLE001 - reported, not printed: the terminal is not ours
            self._tell("ended", f"the player failed: {type(error).__name__}: {error}", "error")
            status = ExitStatus.FAULT
        self._link.drain(_LEAVE_S)
        if status in (ExitStatus.ASKED, ExitStatus.REFUSED):
            # A JACK server that a client leaves without a word is deaf for seconds; but to leave
            # may hang.
            threading.Timer(_LEAVE_S, os._exit, (status,)).start()
            leave_portaudio()
        # Not `sys.exit`: at its end the library of a lost card may hang.
        os._exit(status)

    def stop(self, *_: object) -> None:
        """Ask for the fade and the end; a signal handler."""
        self._asked_to_stop = True

    def _live(self, job: Start) -> ExitStatus:
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, self.stop)
        # What came since the fork comes now.
        signal.pthread_sigmask(signal.SIG_SETMASK, ())
        silence_libraries()
        settings, sounds = beginning(job)
        all_open = await_access(job.patience_s, lambda: self._asked_to_stop or may_open_all())
        if self._asked_to_stop:
            return ExitStatus.ASKED
        named = [Card.from_plain(job.card)] if job.card else []
        with undisturbed():
            cards = named or candidates(settings.audio.device, self._tell)
        if self._asked_to_stop:
            return ExitStatus.ASKED
        if not cards:
            return ExitStatus.REFUSED
        if all_open and (not may_open_all() or has_come(cards)):
            self._tell("refused", "a sound card has come meanwhile", "debug")
            return ExitStatus.REFUSED
        self._grants = realtime.prepare()
        # The fork server's warm-up is not enough: after a fork BLAS has to allocate its memory, and
        # the first write to each page copies it.
        warm_up(settings, sounds, own_sound_only=not job.programs)
        with undisturbed():
            opened = open_first(
                cards,
                settings.audio.sample_rate,
                lambda card, rate: self._open(
                    *(card, rate, settings, sounds),
                    rise=card.identity != job.known_card,
                    quick=not job.programs,
                ),
                self._tell,
            )
        if opened is None:
            return ExitStatus.REFUSED
        output, engine = opened
        self._set_right(output.card)
        self._grants.append(realtime.freeze_garbage_collector())
        try:
            with undisturbed():
                output.start()
        except OutputError as error:
            self._tell("refused", f"'{output.card.name}' does not start: {error}", "warning")
            return ExitStatus.REFUSED
        if not self._wait_for_a_block(output):
            self._tell("refused", f"'{output.card.name}' requests no audio", "warning")
            return ExitStatus.REFUSED
        realtime.raise_priority(realtime.MAIN_PRIORITY)
        self._announce(output, settings)
        if not job.programs:
            # What program changes choose is made ready while it plays.
            with realtime.with_pauses():
                engine.submit(settings, sounds)
        return self._play(output, engine)

    def _open(
        self,
        card: Card,
        rate: int,
        settings: Settings,
        sounds: Mapping[str, Sound],
        rise: bool,
        quick: bool,
    ) -> tuple[Stream, Engine]:
        """Open a card, or raise OutputError."""
        frames = settings.audio.block_frames
        engine = Engine(
            settings,
            ring=self._ring,
            counters=self._counters,
            sample_rate=rate,
            block_frames=frames,
            sounds=sounds,
            mono=card.channels == 1,
            governed=True,
            fade_in=rise,
            own_sound_only=quick,
            on_note=self._note_events.put,
        )
        output = open_stream(
            card, engine, block_frames=frames, sample_rate=rate, on_first=self._raise_priority
        )
        return output, engine

    def _set_right(self, card: Card) -> None:
        """See to the card's own switches and volumes."""
        if card.number < 0:
            return
        try:
            with ControlDevice(card.number) as mixer:
                found = correct(mixer)
        except OSError as error:
            self._tell("log", f"the mixer of '{card.name}' can't be read: {error}", "debug")
            return
        for each in found:
            line = f"on '{card.name}' {each.line(corrected=True)}"
            self._tell("log", line, "warning" if each.grave else "info")

    def _raise_priority(self) -> None:
        self._grants.append(realtime.raise_priority())

    def _wait_for_a_block(self, output: Stream) -> bool:
        until = time.monotonic() + _FIRST_BLOCK_S
        while output.blocks == 0 and time.monotonic() < until:
            time.sleep(0.002)
        return output.blocks > 0

    def _announce(self, output: Stream, settings: Settings) -> None:
        refused = any(grant.refused for grant in self._grants)
        self._tell("log", realtime.summary(self._grants), "warning" if refused else "info")
        block_ms = 1000 * settings.audio.block_frames / output.sample_rate
        if output.card.period_ms > 1.5 * block_ms:
            self._tell(
                "log",
                f"the sound server adds {output.card.period_ms:.1f} ms, more than a block of "
                f"{block_ms:.1f} ms; a smaller period there answers sooner",
                "info",
            )
        text = (
            f"output '{output.card.name}', {output.sample_rate:,} Hz, "
            f"{settings.audio.block_frames}-frame blocks, {output.channels} channels"
        )
        delay_ms = round(1000 * output.delay_s, 2)
        if output.card.kind == "bluetooth":
            text += f", {delay_ms:.0f} ms late: {LISTENING}"
        self._link.send(Ready(text, output.card.as_plain(), output.sample_rate, delay_ms))

    def _play(self, output: Stream, engine: Engine) -> ExitStatus:
        faulty_blocks = max(int(_FAULTY_S * output.sample_rate / engine.timing.block_frames), 10)
        while not self._asked_to_stop:
            unsent = [self._link] if self._link.sending else []
            readable, _, _ = select.select([self._link], unsent, [], _POLL_S)
            self._link.flush()
            if not output.alive(time.monotonic()):
                self._tell("lost", f"'{output.card.name}' went away", "warning")
                return ExitStatus.LOST
            if engine.consecutive_faults > faulty_blocks:
                text = engine.timing.error.decode("utf-8", "replace")
                self._tell("ended", f"the instrument fails in every block: {text}", "error")
                return ExitStatus.FAULT
            if readable and not self._take_orders(engine, output.sample_rate):
                break
            for message in engine.fetch_told():
                self._link.send(message)
        engine.fade_out()
        until = time.monotonic() + _FADE_S
        while not engine.is_silent and time.monotonic() < until:
            time.sleep(0.002)
        # What has been rendered is still on its way to the card.
        time.sleep(min(2 * output.delay_s, 0.2) if engine.is_silent else 0.0)
        return ExitStatus.ASKED

    def _take_orders(self, engine: Engine, sample_rate: int) -> bool:
        """Hand on what has come; False: nobody is there any more."""
        for message in self._link.receive():
            match message:
                case Cue(name, level_db):
                    engine.play_cue(cue_samples(name, sample_rate, level_db))
                case Exclusive(controller, body):
                    engine.submit_sysex(controller, body)
                case NewSettings(plain, sounds):
                    try:
                        with realtime.with_pauses():
                            engine.submit(*prepared(plain, sounds))
                    except ValueError as error:
                        self._tell("log", f"settings not applied: {error}", "error")
        return self._link.open

    def _tell(
        self, kind: Literal["log", "refused", "lost", "ended"], text: str, level: Level
    ) -> None:
        """Send a log line or the end, in one line whatever a library put into its message."""
        line = " ".join(text.split())[:_LINE]
        self._link.send(LogLine(line, level) if kind == "log" else Ended(kind, line, level))
