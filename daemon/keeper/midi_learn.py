"""Which knob is meant: the one that is moved while a binding is learned.

Units: controller values, 0 to 127; seconds.
Threads: the main loop's alone.

A knob counts as moved once it has travelled `TRAVELLED` values, so that neither a trembling one
nor the positions that a controller sends when it is plugged in are taken for it. Pedals, banks and
parameter numbers are no knobs.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from config.bindings import Binding
from config.targets import TARGETS

PATIENCE_S = 30.0
TRAVELLED = 16
NO_KNOBS = frozenset((0, 6, 32, 38, *range(64, 70), *range(96, 102), *range(120, 128)))

ControlAddress = tuple[int, int, int]
"""Controller, channel from 0, and control number."""


@dataclass(frozen=True)
class Found:
    """What was moved, and what it changes from now on."""

    address: ControlAddress
    binding: Binding


class MidiLearn:
    """One binding being learned; beginning another ends the one before."""

    def __init__(self) -> None:
        self.found: Found | None = None
        self._wanted: tuple[str, int] | None = None
        self._from: dict[ControlAddress, int] = {}
        self._until_s = 0.0

    @property
    def state(self) -> Literal["waiting", "bound", "given up"]:
        """Whether a knob is still looked for, or was found."""
        return "waiting" if self._wanted is not None else "bound" if self.found else "given up"

    def begin(
        self, target: str, number: int, controls: Mapping[ControlAddress, int], now_s: float
    ) -> None:
        """Look for a knob from now on; may raise a ValueError on what can't be bound."""
        _binding(1, target, number)
        self.found, self._wanted = None, (target, number)
        self._from = dict(controls)
        self._until_s = now_s + PATIENCE_S

    def plain(self, name_of: Callable[[int], str], kept: bool) -> dict[str, Any]:
        """Return how far it is, as plain values.

        Parameters
        ----------
        name_of
            Returns a controller's name, by its number.
        kept
            Whether a binding outlives the power.
        """
        found = self.found
        return {
            "state": self.state,
            "patience_s": PATIENCE_S,
            "control": found.binding.control if found else None,
            "controller": name_of(found.address[0]) if found else "",
            "kept": kept,
        }

    def look(self, controls: Mapping[ControlAddress, int], now_s: float) -> Found | None:
        """Return what has been moved, once."""
        if self._wanted is None:
            return None
        travelled = {
            address: abs(value - self._from.setdefault(address, value))
            for address, value in controls.items()
            if address[2] not in NO_KNOBS
        }
        address = max(travelled, key=lambda each: travelled[each], default=None)
        if address is not None and travelled[address] >= TRAVELLED:
            self.found = Found(address, _binding(address[2], *self._wanted))
            self._wanted = None
            return self.found
        if now_s >= self._until_s:
            self._wanted = None
        return None


def _binding(control: int, target: str, number: int) -> Binding:
    which = TARGETS[target].which or "partial"  # given in vain, it is told to be left out
    return Binding.model_validate({"control": control, "target": target, which: number})


def bound(bindings: Sequence[Binding], new: Binding) -> list[Binding]:
    """Return bindings with a new one, in place of those of its knob and of its target."""
    target = (new.target, new.number)
    kept = [
        each
        for each in bindings
        if each.control != new.control and (each.target, each.number) != target
    ]
    return [*kept, new]
