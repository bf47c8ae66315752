"""Stand-ins for the edges of the program, a few lines each."""

from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from daemon.ipc.counters import SharedCounters, Timing
from daemon.player.fork_server import PlayerEvent, PlayerJob
from daemon.soundcard.card import Card
from daemon.storage.settings_files import LoadedSettings
from voices.notes.note_count import Ledger


class ScriptedInstrument:
    """Books what it is told, renders a constant, and fails when asked to."""

    def __init__(self, level: float = 0.5) -> None:
        self.ledger = Ledger()
        self.level = level
        self.frame = self.sounding = self.partials = 0
        self.replies: deque[tuple[int, bytes]] = deque()
        self.peaks = (level, level)
        self.heard: list[tuple[int, int, bytes]] = []
        self.gone: list[tuple[int, int]] = []
        self.applied: list[Settings] = []
        self.failing = False

    def take(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        self.heard.append((self.frame + frame, controller, bytes(message)))
        if message[0] & 0xF0 == 0x90:
            self.ledger.strike(controller, 1, message[1], message[2], self.frame + frame)
            self.sounding += 1

    def release_controller(self, controller: int, frame: int = 0) -> None:
        self.gone.append((self.frame + frame, controller))

    def limit_partials(self, partials: int | None) -> int:
        return self.partials

    def end_tails(self) -> int:
        return 0

    def apply(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        self.applied.append(settings)

    def render(self, out: NDArray[np.float32]) -> None:
        if self.failing:
            raise RuntimeError("the bellows leak")
        out.fill(self.level)
        self.peaks = (self.level, self.level)
        self.frame += len(out)


class ScriptedPlayers:
    """Players that do as the test says; what a player would put on the board, it puts there."""

    def __init__(self, board: SharedCounters) -> None:
        self.alive = True
        self.card = Card("Market Card", "usb", 48_000, 2, 0, identity="market")
        self.jobs: list[PlayerJob] = []
        self.sent: list[dict[str, Any]] = []
        self.cues: list[str] = []
        self.exclusives: list[tuple[int, bytes]] = []
        self.stops = 0
        self._coming: list[PlayerEvent] = []
        self._board = board
        self.instrument = ScriptedInstrument()
        self.timing = Timing(48_000, 64)

    def start(self, job: PlayerJob) -> None:
        self.jobs.append(job)
        self._board.clear()
        self.instrument, self.timing = ScriptedInstrument(), Timing(48_000, 64)

    def send(self, settings_plain: dict[str, Any], sounds_plain: dict[str, Any]) -> None:
        self.sent.append(settings_plain)

    def exclusive(self, controller: int, message: bytes) -> None:
        self.exclusives.append((controller, message))

    def cue(self, name: str, level_db: float) -> None:
        self.cues.append(name)

    def stop(self) -> None:
        self.stops += 1

    def events(self) -> list[PlayerEvent]:
        coming, self._coming = self._coming, []
        return coming

    def say(self, kind: Any, text: str, level: str = "info") -> None:
        card = self.card.as_plain()
        details = {"card": card, "sample_rate": 48_000, "delay_ms": 2.7} if kind == "ready" else {}
        self._coming.append(PlayerEvent(kind, text, level, details))

    def block(self) -> None:
        self.timing.blocks += 1
        self._board.publish(self.instrument, self.timing)


class FixedSource:
    """Settings that change when the test puts others in."""

    def __init__(self, loaded: LoadedSettings) -> None:
        self.loaded = loaded
        self.version = 0

    def put(self, loaded: LoadedSettings) -> None:
        self.loaded = loaded
        self.version += 1

    def load(self) -> LoadedSettings:
        return self.loaded

    def stamp(self) -> object:
        return self.version
