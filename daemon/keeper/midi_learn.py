"""Which knob is meant: the one that is moved while a binding is learned.

Units: controller values, 0 to 127; seconds.
Threads: the main loop's alone.

A knob counts as moved once it has travelled `TRAVELLED` values, so that neither a trembling one
nor the positions that a controller sends when it is plugged in are taken for it. Pedals, banks and
parameter numbers are no knobs.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from config.settings import Binding

PATIENCE_S = 30.0
TRAVELLED = 16
NO_KNOBS = frozenset((0, 6, 32, 38, *range(64, 70), *range(96, 102), *range(120, 128)))

KeyAddress = tuple[int, int, int]
"""Controller, channel from 0, and control number."""


@dataclass(frozen=True)
class Found:
    """What was moved, and what it changes from now on."""

    place: KeyAddress
    binding: Binding


class Learning:
    """One binding being learned; beginning another ends the one before."""

    def __init__(self) -> None:
        self.found: Found | None = None
        self._wanted: dict[str, Any] | None = None
        self._from: dict[KeyAddress, int] = {}
        self._until_s = 0.0

    @property
    def waiting(self) -> bool:
        """Whether a knob is still looked for."""
        return self._wanted is not None

    def begin(
        self, target: str, partial: int, controls: Mapping[KeyAddress, int], now_s: float
    ) -> None:
        """Look for a knob from now on; may raise a ValueError on what can't be bound."""
        wanted: dict[str, Any] = {"target": target, "partial": partial}
        Binding.model_validate({"control": 1, **wanted})
        self.found, self._wanted = None, wanted
        self._from = dict(controls)
        self._until_s = now_s + PATIENCE_S

    def look(self, controls: Mapping[KeyAddress, int], now_s: float) -> Found | None:
        """Return what has been moved, once."""
        if self._wanted is None:
            return None
        travelled = {
            place: abs(value - self._from.setdefault(place, value))
            for place, value in controls.items()
            if place[2] not in NO_KNOBS
        }
        place = max(travelled, key=lambda each: travelled[each], default=None)
        if place is not None and travelled[place] >= TRAVELLED:
            binding = Binding.model_validate({"control": place[2], **self._wanted})
            self.found, self._wanted = Found(place, binding), None
            return self.found
        if now_s >= self._until_s:
            self._wanted = None
        return None


def bound(bindings: list[Binding], new: Binding) -> list[Binding]:
    """Return bindings with a new one, in place of those of its knob and of its target."""
    aim = (new.target, new.partial)
    kept = [
        each
        for each in bindings
        if each.control != new.control and (each.target, each.partial) != aim
    ]
    return [*kept, new]
