"""Which knob is meant: the one that is moved while a binding is learned.

Units: controller values, 0 to 127; seconds.
Threads: the main loop's alone.

A knob counts as moved once it has travelled `TRAVELLED` values, so that neither a trembling one
nor the positions that a controller sends when it is plugged in are taken for it; a wheel and
pressure must go farther, for they move while one plays. Pedals, banks and parameter numbers are no
knobs, and the fine half of a knob (14 bits) is none of its own.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal, NamedTuple

from config.bindings import Binding, Source
from config.targets import TARGETS
from daemon.midi.channel_state import ControlAddress, Travel

PATIENCE_S = 30.0
TRAVELLED, TRAVELLED_PLAYING = 16, 64
NO_KNOBS = frozenset((0, 6, 32, 38, *range(64, 70), *range(96, 102), *range(120, 128)))


class Found(NamedTuple):
    """What was moved, and what it changes from now on."""

    address: ControlAddress
    binding: Binding


class MidiLearn:
    """One binding being learned; beginning another ends the one before."""

    def __init__(self) -> None:
        self.found: Found | None = None
        self._wanted: tuple[str, int] | None = None
        self._until_s = 0.0

    @property
    def state(self) -> Literal["waiting", "bound", "given up"]:
        """Whether a knob is still looked for, or was found."""
        return "waiting" if self._wanted is not None else "bound" if self.found else "given up"

    def begin(self, target: str, number: int, now_s: float) -> None:
        """Look for a knob from now on; may raise a ValueError on what can't be bound."""
        _binding(1, target, number)
        self.found, self._wanted = None, (target, number)
        self._until_s = now_s + PATIENCE_S

    def plain(self, name_of: Callable[[int], str]) -> dict[str, Any]:
        """Return how far it is, as plain values; ``name_of``: a controller's name, by number."""
        found = self.found
        return {
            "state": self.state,
            "patience_s": PATIENCE_S,
            "control": found.binding.control if found else None,
            "controller": name_of(found.address[0]) if found else "",
        }

    def look(self, travels: Mapping[ControlAddress, Travel], now_s: float) -> Found | None:
        """Return what has been moved, once; ``travels``: how far each control went since begun."""
        if self._wanted is None:
            return None
        shares = {
            address: (high - low) / (TRAVELLED_PLAYING if isinstance(source, str) else TRAVELLED)
            for address, (low, high) in travels.items()
            for source in [address[2]]
            if source not in NO_KNOBS and not _is_fine(address, travels)
        }
        address = max(shares, key=lambda each: shares[each], default=None)
        if address is not None and shares[address] >= 1.0:
            self.found = Found(address, _binding(address[2], *self._wanted))
            self._wanted = None
            return self.found
        if now_s >= self._until_s:
            self._wanted = None
        return None


def _is_fine(address: ControlAddress, travels: Mapping[ControlAddress, Travel]) -> bool:
    """Return whether a control is the fine half of one that has been heard of as well."""
    controller, channel, source = address
    fine = isinstance(source, int) and 32 <= source < 64
    return fine and (controller, channel, int(source) - 32) in travels


def _binding(control: Source, target: str, number: int) -> Binding:
    which = TARGETS[target].which or "partial"  # given in vain, it is told to be left out
    return Binding.model_validate({"control": control, "target": target, which: number})


def bound(bindings: Sequence[Binding], new: Binding) -> list[Binding]:
    """Return bindings with a new one, in place of those of its knob and of its target."""
    kept = [each for each in unbound(bindings, new.target, new.number)]
    return [*(each for each in kept if each.control != new.control), new]


def unbound(bindings: Sequence[Binding], target: str, number: int) -> list[Binding]:
    """Return bindings without those of a target."""
    return [each for each in bindings if (each.target, each.number) != (target, number)]
