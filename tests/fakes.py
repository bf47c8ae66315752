"""Stand-ins for the edges of the program, a few lines each."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from voices.ledger import Ledger


class ScriptedInstrument:
    """Books what it is told, renders a constant, and fails when asked to."""

    def __init__(self, level: float = 0.5) -> None:
        self.ledger = Ledger()
        self.level = level
        self.frame = self.sounding = self.partials = 0
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

    def spare(self, partials: int | None) -> int:
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
