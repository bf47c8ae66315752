"""What of a sound card's own switches and volumes would keep it silent, too loud, or humming.

Units: decibels of the card's scale.
Threads: any.

Set right is only what can't hurt: what is muted is opened, what stands at zero is raised, both to a
moderate level and never beyond; a microphone that is looped to the output is switched off. What
stands at full is told and left.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

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
# Ways out of the card, one of which is enough; and what carries no sound of ours.
_EXIT = re.compile(r"head(phone|set)|speaker|line ?out|front|surround|center|lfe", re.IGNORECASE)
_OTHER = re.compile(r"beep|iec958|s/?pdif|hdmi|mixer|boost", re.IGNORECASE)


class Mixer(Protocol):
    """A card's controls."""

    def elements(self) -> list[Element]:
        """Return them as they stand."""

    def write(self, element: Element, values: Sequence[int]) -> None:
        """Set every channel of one."""


@dataclass(frozen=True)
class Finding:
    """Something about one way through the card, and what sets it right."""

    name: str
    state: str
    remedy: list[tuple[Element, int]] = field(default_factory=list)
    """What to write into all channels of which control; nothing: it is only told."""
    done: str = ""
    """What has been done then."""
    grave: bool = True
    """Whether it deserves a look."""

    def line(self, set_right: bool) -> str:
        """Return it in words."""
        done = f"; {self.done}" if set_right and self.remedy else ""
        return f"'{self.name}' {self.state}{done}"


@dataclass(frozen=True)
class _Way:
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
        """In words; empty: it is open."""
        return "is muted" if self.muted else "stands at zero" if self.at_zero else ""


def findings(elements: Sequence[Element]) -> list[Finding]:
    """Return what deserves a word, and a remedy where there is a safe one."""
    ways = _ways(elements)
    found = [each for way in ways if _INPUT.search(way.name) and (each := _looped(way))]
    return found + [each for way in _needed(ways) if (each := _silent(way) or _full(way))]


def closed(elements: Sequence[Element]) -> dict[str, str]:
    """Return what keeps our sound in: how it is closed, by name."""
    return {way.name: way.closed for way in _needed(_ways(elements)) if way.closed}


def set_right(mixer: Mixer) -> list[Finding]:
    """Do what is safe; return everything that was found."""
    found = findings(mixer.elements())
    for each in found:
        for element, value in each.remedy:
            mixer.write(element, [value] * len(element.values))
    return found


def moderate(volume: Element) -> int:
    """Return a raw value that is heard, and far from full."""
    if volume.low_db is None or volume.high_db is None:
        return volume.low + max((volume.high - volume.low) // _MODERATE_SHARE, 1)
    aim_db = min(volume.high_db, 0.0) + MODERATE_DB
    share = (aim_db - volume.low_db) / max(volume.high_db - volume.low_db, 0.01)
    return max(volume.low + int(share * (volume.high - volume.low)), volume.low + 1)


def _ways(elements: Sequence[Element]) -> list[_Way]:
    ways: dict[str, dict[str, Element]] = {}
    for element in elements:
        if (found := _PLAYBACK.match(element.name)) and element.values:
            # Of several of one name the first leads.
            ways.setdefault(found[1] or "output", {}).setdefault(element.kind, element)
    return [_Way(name, **parts) for name, parts in ways.items()]


def _needed(ways: Sequence[_Way]) -> list[_Way]:
    """Return the ways that our sound takes, but for those closed on purpose: it has another."""
    ours = [way for way in ways if not _INPUT.search(way.name) and not _OTHER.search(way.name)]
    exits = [way for way in ours if _EXIT.search(way.name)]
    spare = [way for way in exits if way.closed]
    return [way for way in ours if way not in spare or len(spare) == len(exits)]


def _looped(way: _Way) -> Finding | None:
    if way.closed:
        return None
    element = way.switch or way.volume
    assert element is not None
    remedy = [(element, element.low)] if element.writable else []
    return Finding(way.name, "is looped to the output", remedy, "switched off")


def _silent(way: _Way) -> Finding | None:
    if not way.closed:
        return None
    remedy: list[tuple[Element, int]] = []
    volume, switch = way.volume, way.switch
    level = ""
    if volume and (way.at_zero or max(volume.values) > moderate(volume)):
        aim = moderate(volume)
        remedy.append((volume, aim))
        level = f" at {_shown(volume, aim)}"
    if switch and way.muted:
        remedy.append((switch, 1))
    if not all(element.writable for element, _ in remedy):
        return Finding(way.name, f"{way.closed}, and can't be set from here")
    return Finding(way.name, way.closed, remedy, f"opened{level}")


def _full(way: _Way) -> Finding | None:
    volume = way.volume
    if volume is None or min(volume.values) < volume.high or volume.high == volume.low:
        return None
    state = f"stands at full ({_shown(volume, volume.high)}): turn up slowly"
    return Finding(way.name, state, grave=False)


def _is_silent(volume: Element, value: int) -> bool:
    level_db = volume.db(value)
    return value <= volume.low or (level_db is not None and level_db <= _SILENT_DB)


def _shown(volume: Element, value: int) -> str:
    level_db = volume.db(value)
    if level_db is not None:
        return f"{level_db:+.0f} dB"
    return f"{100 * (value - volume.low) // (volume.high - volume.low)} %"
