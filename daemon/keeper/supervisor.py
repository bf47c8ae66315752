"""One player after another: started when there may be a card, watched, and replaced.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.

A player that ends loses no account, and the one after it begins with the controls where the
controllers left them; on another card, not louder than at power-on. When a better card comes, the
player ends and the next one takes that.
"""

import logging
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from typing import Literal, NamedTuple, Protocol

from config.settings import Settings
from config.sound import Sound
from daemon.ipc import messages
from daemon.ipc.counters import SharedCounters, Snapshot
from daemon.ipc.message_ring import TOLD, MessageRing
from daemon.ipc.messages import Cue, Exclusive, Level, LogLine, NewSettings, PlayerState, Reply
from daemon.keeper.new_cards import NewCards
from daemon.keeper.note_totals import NoteTotals, NoteUnheard
from daemon.keeper.safe_volume import SafeVolume
from daemon.midi.channel_state import ChannelState
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
LONGEST_US = {PlayerState.OPENING: 20_000_000, PlayerState.STOPPING: 5_000_000}
"""The fork server is quicker to end a player that does not begin, or does not end."""
_AGAIN_US = 250_000
_STALLED_US = 5_000_000


class Players(Protocol):
    """What makes players, one at a time."""

    alive: bool

    def start(self, job: messages.Start) -> None:
        """Start a player on cleared counters."""

    def send(self, message: messages.ForPlayer) -> None:
        """Give the player a message."""

    def stop(self) -> None:
        """Have the player end; an `Ended` follows."""

    def events(self) -> list[messages.FromPlayer]:
        """Return what has happened since the last call."""


class PlayerReady(NamedTuple):
    """A player sounds."""

    output: str
    silent_us: int | None
    """How long none did; None: it is the first one."""


class PlayerEnded(NamedTuple):
    """A player is gone."""

    cause: Literal["refused", "lost", "ended"]
    text: str
    level: Level
    last: Snapshot
    """What it left."""
    cut: int
    """Notes that ended with it."""


Event = PlayerReady | PlayerEnded | NoteUnheard | LogLine | Reply | messages.Gesture


class PlayerSupervisor:
    """The players, past and present.

    Parameters
    ----------
    players
        What makes them.
    ring, counters
        Two parts of the shared memory.
    channel_state
        What the controllers' controls are set to.
    cards_stamp
        Changes when a card comes or goes, so that a new one is tried at once.
    new_cards
        The cards that come while one plays.
    """

    def __init__(
        self,
        players: Players,
        ring: MessageRing,
        counters: SharedCounters,
        channel_state: ChannelState,
        cards_stamp: Callable[[], object],
        new_cards: NewCards,
    ) -> None:
        self.state = PlayerState.IDLE
        self.totals = NoteTotals(ring)
        self.output: messages.Ready | None = None
        """What the player plays on; None: nothing."""
        self.reason = "still looking for the first sound card"
        """Why nothing plays."""
        self.progress = True
        """Whether the work went on at the last step; for the watchdog."""
        self.known_card = ""
        """The identity of the card that plays or played last; empty: none has."""
        self.exclusives: deque[tuple[int, bytes]] = deque(maxlen=MOST_EXCLUSIVES)
        """By controller: what a later player is brought."""
        self._players, self._ring, self._counters = players, ring, counters
        self._cards_stamp, self._new_cards = cards_stamp, new_cards
        self._channel_state = channel_state
        self._volume = SafeVolume(channel_state)
        self._settings = Settings()
        self._plain = NewSettings(self._settings.model_dump())
        self._stamp: object = None
        self._patience_s = 0.0
        self._new_cards_us = self._look_us = self._started_us = self._since_us = 0
        self._blocks, self._blocks_us = 0, 0
        self._silent_since_us: int | None = None

    @property
    def playing(self) -> bool:
        """Whether a player has a card open."""
        return self.output is not None

    @property
    def card(self) -> Card | None:
        """The card that plays."""
        return Card.from_plain(self.output.card) if self.output else None

    @property
    def note_ons(self) -> int:
        """Note-ons received so far."""
        return self._ring.notes + self._ring.overflowed_notes

    @property
    def overflows(self) -> int:
        """Messages that found no room in the ring so far."""
        return self._ring.overflows

    def snapshot(self) -> Snapshot | None:
        """Return the running player's figures; None when there is no player."""
        return None if self.state is PlayerState.IDLE else self._counters.snapshot()

    def use(self, settings: Settings, sounds: Mapping[str, Sound], now_us: int) -> None:
        """Put settings in force; other audio settings take a new player."""
        another = settings.audio != self._settings.audio
        self._settings = settings
        # As their files have them: keys that exclude each other are not both there.
        plain = {name: each.model_dump(exclude_unset=True) for name, each in sounds.items()}
        self._plain = NewSettings(settings.model_dump(), plain)
        match self.state:
            case PlayerState.IDLE:
                self._look_us = now_us
            case PlayerState.OPENING | PlayerState.PLAYING if another:
                self.stop(now_us)
            case PlayerState.OPENING | PlayerState.PLAYING:
                self._players.send(self._plain)
            case PlayerState.STOPPING:
                pass  # the next player begins with them

    def recall(self, card: str, exclusives: Iterable[tuple[int, bytes]]) -> None:
        """Take over from another daemon, which played on ``card``; before the first `step`."""
        self.known_card = card
        self._volume.recall(card)
        self.exclusives.extend(exclusives)

    def exclusive(self, controller: int, message: bytes) -> None:
        """Give the player a system exclusive message; a later player gets it, too."""
        if message[3:5] not in QUESTIONS:
            self.exclusives.append((controller, message))
        if self.output is not None:
            self._players.send(Exclusive(controller, message))

    def cue(self, name: str, level_db: float) -> None:
        """Have the player, if there is one, sound a cue."""
        if self.output is not None:
            self._players.send(Cue(name, level_db))

    def step(self, now_us: int) -> list[Event]:
        """Look after the player; return what has happened.

        What a player leaves can be read until the step after the one that says it is gone: that
        one may start another.
        """
        events: list[Event] = []
        if self.state is PlayerState.IDLE:
            events += self.totals.drain()
            self._look_for_a_card(now_us)
        for message in self._players.events():
            match message:
                case messages.Ready() if self.state is PlayerState.OPENING:
                    events.append(self._begin(message, now_us))
                case messages.Ended():
                    events += self._end(message, now_us)
                case LogLine() | Reply() | messages.Gesture():
                    events.append(message)
        self.progress = True
        if self.state is PlayerState.PLAYING:
            self._change_over(now_us)
            self.progress = self._blocks_go_on(now_us, events)
        elif self.state in LONGEST_US and now_us - self._since_us > LONGEST_US[self.state]:
            self.progress = False
            events.append(LogLine("the fork server does not answer", "error"))
        return events

    def stop(self, now_us: int) -> None:
        """Have the player end; at the daemon's own end, the last call."""
        if self.state in (PlayerState.OPENING, PlayerState.PLAYING):
            self._enter(PlayerState.STOPPING, now_us)
            self._players.stop()

    def _enter(self, state: PlayerState, now_us: int) -> None:
        self.state, self._since_us = state, now_us

    def _look_for_a_card(self, now_us: int) -> None:
        """Start a player when it is time to; it takes the best card there is."""
        stamp = self._cards_stamp()
        if stamp != self._stamp:
            self._stamp, self._look_us, self._patience_s = stamp, now_us, PATIENCE_S
        if now_us < self._look_us or not self._players.alive:
            return
        self._put(self._volume.safe(self._settings.bindings), now_us)
        plain, chosen = self._plain, bool(self._channel_state.programs())
        job = messages.Start(plain.settings, plain.sounds, {}, self.known_card)
        self._players.start(job._replace(patience_s=self._patience_s, programs=chosen))
        self._patience_s, self._started_us = 0.0, now_us
        self._enter(PlayerState.OPENING, now_us)

    def _begin(self, ready: messages.Ready, now_us: int) -> PlayerReady:
        self._enter(PlayerState.PLAYING, now_us)
        self.output, self.reason = ready, ""
        self._blocks, self._blocks_us = 0, now_us
        card = Card.from_plain(ready.card)
        self._new_cards.begin(card)
        self._put(self._volume.of(card.identity), now_us)
        self.known_card = card.identity
        for controller, message in self.exclusives:
            self._players.send(Exclusive(controller, message))
        since_us, self._silent_since_us = self._silent_since_us, None
        return PlayerReady(ready.text, None if since_us is None else now_us - since_us)

    def _put(self, controls: Iterable[tuple[int, bytes]], now_us: int) -> None:
        for controller, message in controls:
            told = self._channel_state.is_told(controller, message)
            self._ring.put(message, now_us, controller | (TOLD if told else 0))

    def _blocks_go_on(self, now_us: int, events: list[Event]) -> bool:
        blocks = self._counters.snapshot().blocks
        if blocks != self._blocks:
            self._blocks, self._blocks_us = blocks, now_us
            return True
        silent_us = now_us - self._blocks_us
        if silent_us > _STALLED_US:
            text = f"no block for {silent_us / 1e6:.1f} s; replacing the player"
            events.append(LogLine(text, "error"))
            self.stop(now_us)
        return False

    def _change_over(self, now_us: int) -> None:
        """Let the player end when a better card has come; the next one takes that."""
        if now_us - self._new_cards_us < LOOK_US:
            return
        self._new_cards_us = now_us
        card = self._new_cards.better(self._settings.audio.device)
        if card is not None:
            log.info("a better sound card has come: switching to '%s'", card.name)
            self.stop(now_us)

    def _end(self, ended: messages.Ended, now_us: int) -> list[Event]:
        played, self.output = self.output is not None, None
        self._enter(PlayerState.IDLE, now_us)
        self.reason = ended.text
        self._look_us = max(self._started_us + LOOK_US, now_us + _AGAIN_US * played)
        if ended.level == "info" and ended.cause != "refused":
            self._look_us = now_us  # it was asked to end
        if played and self._silent_since_us is None:
            self._silent_since_us = now_us
        last = self._counters.snapshot()
        cut, unheard = self.totals.settle(last)
        return [PlayerEnded(ended.cause, ended.text, ended.level, last, cut), *unheard]
