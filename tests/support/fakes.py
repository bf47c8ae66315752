"""Stand-ins for the edges of the program, a few lines each."""

import json
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from daemon.ipc.counters import SharedCounters, Timing
from daemon.ipc.messages import Ended, ForPlayer, FromPlayer, NewSettings, Ready, Start
from daemon.soundcard.card import Card
from daemon.storage.settings_files import LoadedSettings
from voices.notes.note_count import Ledger
from voices.receiver.gestures import Done


class Put:
    """A ring of a list; full when told."""

    def __init__(self) -> None:
        self.records: list[tuple[bytes, int, int]] = []
        self.full = False

    def __call__(self, message: bytes, time_us: int, controller: int) -> bool:
        if not self.full:
            self.records.append((message, time_us, controller))
        return not self.full


class Source:
    """Left is 0.25, right is -0.5."""

    def __init__(self) -> None:
        self.underflows: list[bool] = []

    def render_block(self, out: NDArray[np.float32], now_us: int, underflow: bool = False) -> None:
        out[:] = (0.25, -0.5)
        self.underflows.append(underflow)


class ScriptedInstrument:
    """Books what it is sent, renders a constant, and fails when asked to."""

    def __init__(self, level: float = 0.5) -> None:
        self.ledger = Ledger()
        self.level = level
        self.frame = self.sounding = self.partials = 0
        self.replies: deque[tuple[int, bytes]] = deque()
        self.gestures: deque[Done] = deque()
        self.peaks = (level, level)
        self.heard: list[tuple[int, int, bytes]] = []
        self.gone: list[tuple[int, int]] = []
        self.told: list[tuple[int, int, bytes]] = []
        self.applied: list[Settings] = []
        self.failing = False

    def take(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        self.heard.append((self.frame + frame, controller, bytes(message)))
        if message[0] & 0xF0 == 0x90:
            self.ledger.note_on(controller, 1, message[1], message[2], self.frame + frame)
            self.sounding += 1

    def tell(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        self.told.append((self.frame + frame, controller, bytes(message)))

    def release_controller(self, controller: int, frame: int = 0) -> None:
        self.gone.append((self.frame + frame, controller))

    def panic(self, frame: int = 0) -> None:
        self.sounding = 0

    def limit_partials(self, partials: int | None) -> int:
        return self.partials

    def end_tails(self) -> int:
        return 0

    def prepare(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        pass

    def apply(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        self.applied.append(settings)

    def render(self, out: NDArray[np.float32]) -> None:
        if self.failing:
            raise RuntimeError("the bellows leak")
        out.fill(self.level)
        self.peaks = (self.level, self.level)
        self.frame += len(out)


class ScriptedPlayers:
    """Players that do as the test says; what a player would publish, they publish."""

    def __init__(self, counters: SharedCounters) -> None:
        self.alive = True
        self.card = Card("Market Card", "usb", 48_000, 2, 0, identity="market")
        self.jobs: list[Start] = []
        self.sent: list[ForPlayer] = []
        self.stops = 0
        self._coming: list[FromPlayer] = []
        self._counters = counters
        self.instrument = ScriptedInstrument()
        self.timing = Timing(48_000, 64)

    @property
    def settings(self) -> list[dict[str, Any]]:
        return [each.settings for each in self.sent if isinstance(each, NewSettings)]

    def start(self, job: Start) -> None:
        self.jobs.append(job)
        self._counters.clear()
        self.instrument, self.timing = ScriptedInstrument(), Timing(48_000, 64)

    def send(self, message: ForPlayer) -> None:
        self.sent.append(message)

    def stop(self) -> None:
        self.stops += 1

    def events(self) -> list[FromPlayer]:
        coming, self._coming = self._coming, []
        return coming

    def say(self, kind: Any, text: str, level: Any = "info") -> None:
        if kind == "ready":
            # Off the link comes no object that anybody has seen before.
            self._coming.append(
                Ready(text, json.loads(json.dumps(self.card.as_plain())), 48_000, 2.7)
            )
        else:
            self._coming.append(Ended(kind, text, level))

    def block(self) -> None:
        self.timing.blocks += 1
        self._counters.publish(self.instrument, self.timing)


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
