"""The whole daemon in virtual time: real keeper, ring, counters; the player in this process.

Controllers, settings files and cards do as the test says.
"""

from functools import cached_property
from typing import Any, Self

import numpy as np

from config.settings import Settings
from daemon.ipc.counters import SharedCounters
from daemon.ipc.message_ring import MessageRing
from daemon.ipc.messages import (
    Cue,
    Ended,
    Exclusive,
    ForPlayer,
    FromPlayer,
    NewSettings,
    Ready,
    Start,
)
from daemon.keeper.answers import Answers
from daemon.keeper.change_log import TICK_S
from daemon.keeper.new_cards import NewCards
from daemon.keeper.supervisor import PlayerSupervisor
from daemon.midi.channel_state import ChannelState
from daemon.midi.controllers import Controllers
from daemon.midi.simulated import SimulatedPorts
from daemon.player.beginning import prepared
from daemon.player.cue_tones import cue_samples
from daemon.player.engine import Engine
from daemon.soundcard.card import Card
from daemon.storage.deferred_writes import DeferredWrites
from daemon.storage.kept_sounds import KeptSounds
from daemon.storage.settings_files import LoadedSettings
from tests.support.keeper_parts import NOWHERE, keeper_of

KEYS = "Cargo Bike Keys 25:Cargo Bike Keys 25 MIDI 1 20:0"
FRAMES, RATE = 64, 48_000


class Files:
    """Settings files that change when a test edits them."""

    def __init__(self) -> None:
        self.loaded = LoadedSettings(Settings())
        self.edits = 0

    def load(self) -> LoadedSettings:
        return self.loaded

    def stamp(self) -> object:
        return self.edits

    def edit(self, *faults: str, **settings: Any) -> None:
        self.loaded = LoadedSettings(Settings.model_validate(settings), faults=list(faults))
        self.edits += 1


class Notices:
    """What systemd would hear."""

    watchdog_s = 1.0

    def __init__(self) -> None:
        self.lines: list[str] = []

    def __getattr__(self, name: str) -> Any:
        return lambda *_: self.lines.append(name)


class VirtualDaemon:
    """What makes players for the keeper is this object itself."""

    alive = True

    def __init__(self, **parts: Any) -> None:
        self.now_us = 1_000_000
        self.ring = MessageRing(memoryview(bytearray(MessageRing.SIZE)))
        self.counters = SharedCounters(memoryview(bytearray(SharedCounters.SIZE)))
        self.ports, self.files, self.notices = SimulatedPorts(), Files(), Notices()
        self.card = True
        self.asked: list[str] = []
        self.cues: list[str] = []
        self.playing: Engine | None = None
        self.sent: list[dict[str, Any]] = []
        self.writes = parts.pop("writes", None) or DeferredWrites()
        self._events: list[FromPlayer] = []
        channel_state = ChannelState()
        self.supervisor = PlayerSupervisor(
            *(self, self.ring, self.counters, channel_state),
            *(lambda: None, NewCards(lambda: [])),
        )
        self.controllers = Controllers(self.ports, self.ring.put, channel_state=channel_state)
        self.keeper = keeper_of(
            self.files,
            self.controllers,
            self.supervisor,
            self.notices,
            clock_us=lambda: self.now_us,
            switch_off=lambda: self.asked.append("off"),
            writes=self.writes,
            kept=KeptSounds(parts.pop("kept", NOWHERE)),
            **parts,
        )
        self.shaping = self.keeper.shaping

    # What makes players.
    def start(self, job: Start) -> None:
        self.counters.clear()
        if not self.card:
            self._events.append(Ended("refused", "no sound card"))
            return
        settings = Settings.model_validate(job.settings)
        self.playing = Engine(
            settings, ring=self.ring, counters=self.counters, sample_rate=RATE, block_frames=FRAMES
        )
        card = Card("box", "usb", RATE, 2, 0).as_plain()
        self._events.append(Ready("output 'box'", card, RATE, 3.0))

    def send(self, message: ForPlayer) -> None:
        assert self.playing is not None
        match message:
            case NewSettings(settings, sounds):
                self.sent.append(settings)
                self.playing.submit(*prepared(settings, sounds))
            case Exclusive(controller, body):
                self.playing.submit_sysex(controller, body)
            case Cue(name, level_db):
                self.cues.append(name)
                self.playing.play_cue(cue_samples(name, RATE, level_db))

    def stop(self) -> None:
        self.end("stopped", "ended", "info")

    def events(self) -> list[FromPlayer]:
        events, self._events = self._events, []
        return events

    def end(self, text: str, cause: Any = "lost", level: Any = "warning") -> None:
        self.playing = None
        self._events.append(Ended(cause, text, level))

    # The world.
    def run(self, seconds: float) -> None:
        out = np.zeros((FRAMES, 2), np.float32)
        until = self.now_us + round(seconds * 1e6)
        block_us, due_us = FRAMES * 1e6 / RATE, self.now_us
        while self.now_us < until:
            if self.now_us >= due_us:
                self.keeper.tick()
                due_us += round(TICK_S * 1e6)
            if self.playing is not None:
                self.playing.render_block(out, self.now_us)
                self._events += self.playing.fetch_told()
            self.now_us += round(block_us)

    def with_keys(self) -> Self:
        """Start, with a controller plugged in and connected."""
        self.keeper.start()
        self.ports.plug(KEYS)
        self.run(0.5)
        return self

    def replug_keys(self) -> None:
        """Pull the controller out and plug it in; what it sends next says where its knobs are."""
        self.ports.unplug(KEYS)
        self.run(0.5)
        self.ports.plug(KEYS)
        self.run(0.26)

    def hear(self, *messages: bytes) -> None:
        for message in messages:
            self.ports.send(KEYS, message, self.now_us)

    def play(self, *keys: int) -> None:
        for key in keys:
            assert self.ports.send(KEYS, bytes([0x90, key, 100]), self.now_us)

    @cached_property
    def answers(self) -> Answers:
        """What answers its clients."""
        return Answers(
            *(self.keeper, self.controllers, self.supervisor),
            *(self.shaping, lambda: self.now_us),
        )

    @property
    def accounts(self) -> dict[str, int]:
        accounts: dict[str, int] = self.keeper.status()["notes"]["accounts"]
        return {name: count for name, count in accounts.items() if count}
