"""One player after another: started when there may be a card, watched, and replaced.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

A player that ends loses no account, and the one after it begins with the controls where the
controllers left them; on another card, not louder than at power-on.
A better card that comes is changed over to.
"""

import logging
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol

from config.settings import Settings
from config.sound import Sound
from config.wording import counted
from daemon.diagnosis.rate_limit import LoadShedReport, MissedReport, Repeats
from daemon.ipc.counters import SharedCounters, Snapshot
from daemon.ipc.message_ring import MessageRing
from daemon.keeper.new_cards import NewCards
from daemon.keeper.note_totals import NoteTotals
from daemon.keeper.safe_volume import SafeVolume
from daemon.midi.channel_state import ChannelState
from daemon.player.fork_server import PlayerEvent, PlayerJob
from daemon.soundcard.card import Card

log = logging.getLogger(__name__)

QUESTIONS = (b"\x06\x01", b"\x08\x00", b"\x08\x03")
"""Identity and bulk tuning dump requests: answered once, not asked again of a later player."""
MOST_EXCLUSIVES = 128
"""So many of the latest tunings and master controls are brought to a later player."""
LOOK_US = 1_000_000
"""How often a card is looked for."""
PATIENCE_S = 2.0
"""For a card that has just come to be ours to open, before that is called a fault."""
_AGAIN_US = 250_000
_STALLED_US = 5_000_000
_LEVELS = {"debug": 10, "info": 20, "warning": 30, "error": 40}


class Players(Protocol):
    """What makes players, one at a time."""

    alive: bool

    def start(self, job: PlayerJob) -> None:
        """Start a player on a cleared board."""

    def send(self, settings_plain: dict[str, Any], sounds_plain: dict[str, Any]) -> None:
        """Give the player new settings."""

    def exclusive(self, controller: int, message: bytes) -> None:
        """Give the player a system exclusive message."""

    def cue(self, name: str, level_db: float) -> None:
        """Have the player sound one of `daemon.keeper.cues.PATTERNS`."""

    def stop(self) -> None:
        """Have the player end; an event tells when."""

    def events(self) -> list[PlayerEvent]:
        """Return what has happened since the last call."""


def plain_sounds(sounds: Mapping[str, Sound] | None) -> dict[str, Any]:
    """Return sounds as a player takes them; None, the shipped ones, is empty."""
    return {name: sound.model_dump() for name, sound in (sounds or {}).items()}


class PlayerSupervisor:
    """The players, past and present.

    Parameters
    ----------
    players
        What makes them.
    ring, board
        The shared memory's two halves.
    chase
        What the controllers' controls are set to.
    cards_stamp
        Changes when a card comes or goes, so that a new one is tried at once.
    newcomers
        The cards that come while one plays; none when left out.
    """

    def __init__(
        self,
        players: Players,
        ring: MessageRing,
        board: SharedCounters,
        chase: ChannelState,
        cards_stamp: Callable[[], object] = lambda: None,
        newcomers: NewCards | None = None,
    ) -> None:
        self.tally = NoteTotals(ring)
        self.output: dict[str, Any] | None = None
        """What the player plays on, ``card``, ``sample_rate`` and ``delay_ms``; None: nothing."""
        self.reason = "no sound card has been looked for yet"
        """Why nothing plays."""
        self._players, self._ring, self._board = players, ring, board
        self._cards_stamp = cards_stamp
        self._stamp: object = None
        self._patience_s = 0.0
        self._newcomers = newcomers or NewCards(lambda: [])
        self._newcomers_us = 0
        self._level = SafeVolume(chase)
        self._missed = MissedReport()
        self._spared = LoadShedReport()
        self._repeats = Repeats(log)
        self._settings = Settings()
        self._sounds: Mapping[str, Sound] | None = None
        self._started_us: int | None = None
        self._look_us = 0
        self._blocks, self._blocks_us = 0, 0
        self._told_reason = ""
        self.known_card = ""
        """The identity of the card that plays or played last; empty: none has."""
        self._silent_since_us: int | None = None
        self._stopping = False
        self.on_ready: Callable[[str], None] = lambda text: None
        """Called with the player's description of the output when the first sound is possible."""
        self.on_reply: Callable[[int, bytes], None] = lambda controller, message: None
        """Called with what a player answers to a controller."""
        self.exclusives: deque[tuple[int, bytes]] = deque(maxlen=MOST_EXCLUSIVES)
        """By controller: what a later player is brought."""
        self.on_end: Callable[[Snapshot, str, int], None] = lambda last, why, now_us: None
        """Called with what a player leaves on the board, and why and when it ended."""

    @property
    def playing(self) -> bool:
        """Whether a player has a card open."""
        return self.output is not None

    @property
    def card(self) -> Card | None:
        """The card that plays."""
        return Card.from_plain(self.output["card"]) if self.output else None

    @property
    def struck(self) -> int:
        """Note-ons received so far."""
        return self._ring.notes + self._ring.overflowed_notes

    def snapshot(self) -> Snapshot | None:
        """Return the running player's figures; None when there is no player."""
        return self._board.snapshot() if self._started_us is not None else None

    def use(self, settings: Settings, sounds: Mapping[str, Sound] | None, now_us: int) -> None:
        """Put settings in force; other audio settings take a new player."""
        another = settings.audio != self._settings.audio
        self._settings, self._sounds = settings, sounds
        if self._started_us is None:
            self._look_us = now_us
        elif another:
            self._players.stop()
        else:
            self._players.send(settings.model_dump(), plain_sounds(sounds))

    def recall(self, card: str, exclusives: Iterable[tuple[int, bytes]]) -> None:
        """Take over from another daemon, which played on ``card``; before the first `tick`."""
        self.known_card = card
        self._level.recall(card)
        self.exclusives.extend(exclusives)

    def exclusive(self, controller: int, message: bytes) -> None:
        """Give the player a system exclusive message; a later player gets it, too."""
        if message[3:5] not in QUESTIONS:
            self.exclusives.append((controller, message))
        if self.output is not None:
            self._players.exclusive(controller, message)

    def cue(self, name: str, level_db: float) -> None:
        """Have the player, if there is one, sound a cue."""
        if self.output is not None:
            self._players.cue(name, level_db)

    def tick(self, now_us: int) -> bool:
        """Look after the player; return whether the work goes on, for the watchdog."""
        self._repeats.tick(now_us)
        for event in self._players.events():
            self._take(event, now_us)
        if self._started_us is None:
            self.tally.drain()
            stamp = self._cards_stamp()
            if stamp != self._stamp:
                self._stamp, self._look_us, self._patience_s = stamp, now_us, PATIENCE_S
            if now_us >= self._look_us and self._players.alive and not self._stopping:
                self._start(now_us)
            return True
        snapshot = self._board.snapshot()
        self._missed.look(snapshot, self._ring.overflows, now_us)
        self._spared.look(snapshot, now_us)
        if self.output is None:
            return True  # what makes players ends one that does not begin
        self._change_over(now_us)
        if snapshot.blocks != self._blocks:
            self._blocks, self._blocks_us = snapshot.blocks, now_us
            return True
        if now_us - self._blocks_us > _STALLED_US:
            self._repeats.tell(
                logging.ERROR,
                f"no block for {(now_us - self._blocks_us) / 1e6:.1f} s; the player is replaced",
                now_us,
            )
            self._blocks_us = now_us
            self._players.stop()
        return False

    def stop(self, now_us: int) -> None:
        """Have the player end and start no other."""
        self._stopping = True
        self._missed.flush(now_us)
        self._repeats.flush(now_us)
        if self._started_us is not None:
            self._players.stop()

    def _start(self, now_us: int) -> None:
        self._put(self._level.safe(self._settings.bindings), now_us)
        job = PlayerJob(
            self._settings.model_dump(),
            plain_sounds(self._sounds),
            known_card=self.known_card,
            patience_s=self._patience_s,
        )
        self._patience_s = 0.0
        self._players.start(job)
        self._started_us = now_us
        self._look_us = now_us + LOOK_US

    def _take(self, event: PlayerEvent, now_us: int) -> None:
        level = _LEVELS.get(event.level, logging.INFO)
        if event.kind == "log":
            self._repeats.tell(level, event.text, now_us)
        elif event.kind == "ready":
            self._sounds_now(event, now_us)
        elif event.kind == "reply":
            self.on_reply(event.details["controller"], bytes.fromhex(event.details["message"]))
        else:
            self._end(event, level, now_us)

    def _sounds_now(self, event: PlayerEvent, now_us: int) -> None:
        self.output = {"text": event.text, **event.details}
        self._blocks, self._blocks_us = 0, now_us
        self.reason = self._told_reason = ""
        card = Card.from_plain(event.details["card"])
        self._newcomers.begin(card)
        self._put(self._level.of(card.identity), now_us)
        self.known_card = card.identity
        for controller, message in self.exclusives:
            self._players.exclusive(controller, message)
        if self._silent_since_us is None:
            self.on_ready(event.text)
        else:
            seconds = (now_us - self._silent_since_us) / 1e6
            log.info("sounding again after %.1f s: %s", seconds, event.text)
        self._silent_since_us = None

    def _put(self, messages: Iterable[tuple[int, bytes]], now_us: int) -> None:
        for controller, message in messages:
            self._ring.put(message, now_us, controller)

    def _change_over(self, now_us: int) -> None:
        """Let the player end when a better card has come; the next one takes that."""
        if now_us - self._newcomers_us < LOOK_US:
            return
        self._newcomers_us = now_us
        card = self._newcomers.better(self._settings.audio.device)
        if card is not None:
            log.info("a better sound card has come: '%s'; changing over", card.name)
            self._players.stop()

    def _end(self, event: PlayerEvent, level: int, now_us: int) -> None:
        played = self.output is not None
        last = self._board.snapshot()
        self.output = None
        if last.blocks:
            self.on_end(last, event.text, now_us)
        started_us = now_us if self._started_us is None else self._started_us
        self._started_us = None
        cut = self.tally.settle(last)
        self.reason = event.text
        self._look_us = max(started_us + LOOK_US, now_us + _AGAIN_US * played)
        if played and self._silent_since_us is None:
            self._silent_since_us = now_us
        if event.kind == "refused":
            if event.text != self._told_reason:
                self._told_reason = event.text
                log.log(level, "%s; looking every %.1f s", event.text, LOOK_US / 1e6)
            return
        notes = f"; {counted(cut, 'note')} cut" if cut else ""
        if level <= logging.INFO:
            log.info("%s%s", event.text, notes)
            self._look_us = now_us
        else:
            self._told_reason = ""
            self._repeats.tell(level, f"{event.text}{notes}; looking for a sound card", now_us)
