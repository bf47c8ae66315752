"""A keeper with nothing real around it and a clock to turn: players, ports, cards are scripted."""

from typing import Any

from config.settings import Settings
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.keeper.mixer_watch import MixerWatch
from daemon.keeper.new_cards import NewCards
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.midi.channel_state import ChannelState
from daemon.midi.controllers import Controllers
from daemon.midi.simulated import SimulatedPorts
from daemon.soundcard.alsa_control import Element
from daemon.soundcard.card import Card
from daemon.storage.settings_files import LoadedSettings
from tests.support.fakes import FixedSource, ScriptedPlayers
from tests.support.keeper_parts import keeper_of

KEYS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0"
TICK_US = 250_000
READY = "output 'Market Card', 48,000 Hz, 64-frame blocks, 2 channels"
NO_CARD = "no sound card and no sound server"


class Notices:
    """What systemd hears."""

    def __init__(self, watchdog_s: float | None = None) -> None:
        self.lines: list[str] = []
        self.watchdog_s = watchdog_s

    def __getattr__(self, name: str) -> Any:
        return lambda *words: self.lines.append(name)


class KeeperBench:
    """The keeper on the workbench."""

    def __init__(self, watchdog_s: float | None = None, **settings: Any) -> None:
        self.now_us = 1_000_000
        self.ring = MessageRing(memoryview(bytearray(MessageRing.SIZE)))
        self.counters = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
        self.ports = SimulatedPorts()
        self.players = ScriptedPlayers(self.counters)
        self.notices = Notices(watchdog_s)
        self.source = FixedSource(LoadedSettings(Settings.model_validate(settings)))
        self.card = object()
        self.there: list[Card] = []
        self.channel_state = ChannelState()
        self.controllers = Controllers(self.ports, self.ring.put, channel_state=self.channel_state)
        self.supervisor = PlayerSupervisor(
            *(self.players, self.ring, self.counters, self.channel_state),
            lambda: self.card,
            NewCards(lambda: self.there),
        )
        self.keeper = keeper_of(
            *(self.source, self.controllers, self.supervisor, self.notices),
            lambda: self.now_us,
            mixer_watch=MixerWatch(lambda number: self.controls),
        )
        self.blocks = True
        self.controls: list[Element] = []

    def tick(self, count: int = 1) -> None:
        for _ in range(count):
            self.now_us += TICK_US
            if self.supervisor.playing and self.blocks:
                self.players.block()
            self.keeper.tick()

    def say(self, kind: str, text: str, level: str = "info") -> None:
        self.players.say(kind, text, level)
        self.tick()

    def play(self) -> None:
        """Bring the bench to where a player plays."""
        self.keeper.start()
        self.tick()
        self.say("ready", READY)

    def find_no_card(self) -> None:
        """Bring the bench to where a player has found nothing to play on."""
        self.keeper.start()
        self.tick()
        self.say("refused", NO_CARD, "warning")

    def hear(self, *messages: bytes) -> None:
        for message in messages:
            self.ports.send(KEYS, message, self.now_us)

    def note(self, key: int = 60) -> None:
        self.hear(bytes((0x90, key, 100)))

    def accounts(self) -> dict[str, int]:
        notes = self.keeper.status()["notes"]
        assert notes["received"] == sum(notes["accounts"].values())
        return {name: count for name, count in notes["accounts"].items() if count}

    def take(self) -> None:
        """Let the player take what is in the ring, as its callback does."""
        while record := self.ring.get():
            self.players.instrument.take(record[2], 0, record[1])
