"""A sound card's mixer: switches and volumes that keep it silent, too loud, or humming.

Units: decibels of the card's scale.
Threads: any.

Only what can't hurt is corrected: what is muted is opened, what is at zero is raised, both to a
moderate level and never beyond; a microphone looped to the output is switched off. What is at full
is reported, not changed.
"""

import re
from collections.abc import Sequence
from typing import NamedTuple, Protocol

from daemon.soundcard.alsa_control import Element

MODERATE_DB = -20.0
"""Below the card's 0 dB."""
_MODERATE_SHARE = 3
_SILENT_DB = -90.0
_PLAYBACK = re.compile(r"^(.*?) ?Playback (Switch|Volume)$")
_INPUT = re.compile(
    r"\b(mic|microphone|line(?! ?out)|input|capture|side ?tone|monitor|aux|cd|loop ?back)\b",
    re.IGNORECASE,
)
# Exits of the card, one of which is enough; and what carries no sound of ours.
_EXIT = re.compile(r"head(phone|set)|speaker|line ?out|front|surround|center|lfe", re.IGNORECASE)
_OTHER = re.compile(r"beep|iec958|s/?pdif|hdmi|mixer|boost", re.IGNORECASE)


class Mixer(Protocol):
    """A card's controls."""

    def elements(self) -> list[Element]:
        """Return them as they stand."""

    def write(self, element: Element, values: Sequence[int]) -> None:
        """Set every channel of one."""


class Finding(NamedTuple):
    """A fault of one path through the card, and its remedy."""

    name: str
    state: str
    remedy: Sequence[tuple[Element, int]] = ()
    """Controls, and what to write to all their channels; nothing: it is only reported."""
    done: str = ""
    """What the remedy does, in words."""
    grave: bool = True
    """Whether it is a warning."""

    def line(self, corrected: bool) -> str:
        """Return it in words, with what was done about it."""
        done = f"; {self.done}" if corrected and self.remedy else ""
        return f"'{self.name}' {self.state}{done}"


class _Path(NamedTuple):
    name: str
    switch: Element | None = None
    volume: Element | None = None

    @property
    def muted(self) -> bool:
        return self.switch is not None and not any(self.switch.values)

    @property
    def at_zero(self) -> bool:
        return self.volume is not None and all(
            _is_silent(self.volume, v) for v in self.volume.values
        )

    @property
    def closed(self) -> str:
        """How it is closed; empty: it is open."""
        return "is muted" if self.muted else "stands at zero" if self.at_zero else ""


def findings(elements: Sequence[Element]) -> list[Finding]:
    """Return what is worth reporting, with a remedy where there is a safe one."""
    paths = _paths(elements)
    found = [each for path in paths if _INPUT.search(path.name) and (each := _looped(path))]
    return found + [each for path in _ours(paths) if (each := _silent(path) or _full(path))]


def closed_paths(elements: Sequence[Element]) -> dict[str, str]:
    """Return how each path that silences us is closed, by name."""
    return {path.name: path.closed for path in _ours(_paths(elements)) if path.closed}


def correct(mixer: Mixer) -> list[Finding]:
    """Apply the remedies; return everything that was found."""
    found = findings(mixer.elements())
    for each in found:
        for element, value in each.remedy:
            mixer.write(element, [value] * len(element.values))
    return found


def moderate_level(volume: Element) -> int:
    """Return a raw value that is audible, and far from full."""
    if volume.low_db is None or volume.high_db is None:
        return volume.low + max((volume.high - volume.low) // _MODERATE_SHARE, 1)
    target_db = min(volume.high_db, 0.0) + MODERATE_DB
    share = (target_db - volume.low_db) / max(volume.high_db - volume.low_db, 0.01)
    return max(volume.low + int(share * (volume.high - volume.low)), volume.low + 1)


def _paths(elements: Sequence[Element]) -> list[_Path]:
    paths: dict[str, dict[str, Element]] = {}
    for element in elements:
        if (found := _PLAYBACK.match(element.name)) and element.values:
            # Of several controls of one name the first counts.
            paths.setdefault(found[1] or "output", {}).setdefault(element.kind, element)
    return [_Path(name, **parts) for name, parts in paths.items()]


def _ours(paths: Sequence[_Path]) -> list[_Path]:
    """Return the paths of our sound, without exits closed on purpose while another is open."""
    ours = [path for path in paths if not (_INPUT.search(path.name) or _OTHER.search(path.name))]
    exits = [path for path in ours if _EXIT.search(path.name)]
    closed = [path for path in exits if path.closed]
    return [path for path in ours if path not in closed or len(closed) == len(exits)]


def _looped(path: _Path) -> Finding | None:
    if path.closed:
        return None
    element = path.switch or path.volume
    assert element is not None
    remedy = [(element, element.low)] if element.writable else []
    return Finding(path.name, "is looped to the output", remedy, "switched off")


def _silent(path: _Path) -> Finding | None:
    if not path.closed:
        return None
    remedy: list[tuple[Element, int]] = []
    volume, switch = path.volume, path.switch
    level = ""
    if volume and (path.at_zero or max(volume.values) > moderate_level(volume)):
        target = moderate_level(volume)
        remedy.append((volume, target))
        level = f" at {_readable(volume, target)}"
    if switch and path.muted:
        remedy.append((switch, 1))
    if not all(element.writable for element, _ in remedy):
        return Finding(path.name, f"{path.closed}, and can't be set from here")
    return Finding(path.name, path.closed, remedy, f"opened{level}")


def _full(path: _Path) -> Finding | None:
    volume = path.volume
    if volume is None or min(volume.values) < volume.high or volume.high == volume.low:
        return None
    state = f"stands at full ({_readable(volume, volume.high)}): turn up slowly"
    return Finding(path.name, state, grave=False)


def _is_silent(volume: Element, value: int) -> bool:
    level_db = volume.db(value)
    return value <= volume.low or (level_db is not None and level_db <= _SILENT_DB)


def _readable(volume: Element, value: int) -> str:
    level_db = volume.db(value)
    if level_db is not None:
        return f"{level_db:+.0f} dB"
    return f"{100 * (value - volume.low) // (volume.high - volume.low)} %"
