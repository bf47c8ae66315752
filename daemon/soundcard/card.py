"""A sound card, and which of several should play.

Units: rates in frames per second.
Threads: any; nothing is opened or read.

A screen or a Bluetooth device is never chosen automatically, only by name.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, NamedTuple, Self

Kind = Literal["usb", "soldered", "jack", "screen", "bluetooth", "server", "other"]

KINDS: dict[Kind, str] = {
    "usb": "USB audio",
    "soldered": "soldered to the board (I2S)",
    "jack": "headphone jack",
    "server": "sound server",
    "screen": "screen (HDMI)",
    "bluetooth": "Bluetooth",
    "other": "neither card nor server",
}
"""A description of every kind, the best first."""

LISTENING = "for listening, 150 ms or more late"
"""What is to be known of a Bluetooth speaker."""
_AUTOMATIC: tuple[Kind, ...] = ("usb", "soldered", "jack", "server")
_NEVER_AUTOMATIC: dict[Kind, str] = {
    "screen": "a screen is only played by name",
    "bluetooth": f"{LISTENING}; only played by name",
    "other": "only played by name",
}
OWN_NAME = "partiald"
HARDWARE = re.compile(r"\(hw:(\d+),(\d+)\)$")
"""At the end of a name: the kernel's numbers of the card and of its device."""


@dataclass(frozen=True)
class Card:
    """Something that can play.

    Parameters
    ----------
    name
        As PortAudio has it.
    kind
        See `KINDS`.
    rate
        The card's own: the first supported one of those that can be played.
    channels
        How many it has, at most.
    index
        PortAudio's number; -1: `closed` says why it has none.
    period_ms
        The delay that a sound server adds; 0: not known, or no server.
    holder
        The program that holds it now; empty: none.
    closed
        Why it can't be opened; empty: it can.
    number
        The kernel's, of hardware; -1: none.
    identity
        Stays the same when the card returns, and differs for every other card.
    pcm
        ALSA's name of a card that PortAudio does not list; empty: it does.
    """

    name: str
    kind: Kind
    rate: int
    channels: int
    index: int
    period_ms: float = 0.0
    holder: str = ""
    closed: str = ""
    number: int = -1
    identity: str = ""
    pcm: str = ""

    @property
    def opens(self) -> bool:
        """Whether it can be tried."""
        return self.index >= 0 or bool(self.pcm)

    def matches(self, wanted: str) -> bool:
        """Return whether a name, or part of one, means this card; never an empty one."""
        return bool(wanted) and wanted.lower() in self.name.lower()

    def as_plain(self) -> dict[str, Any]:
        """Return the fields, for another process."""
        return asdict(self)

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Self:
        """Make a card from what `as_plain` gave."""
        return cls(**plain)


class Verdict(NamedTuple):
    """Why a card was taken, or not."""

    card: Card
    chosen: bool
    reason: str


def sort_key(card: Card, wanted: str = "") -> tuple[int, ...] | None:
    """Return a key that is smaller for a better card; None: it must not play.

    Parameters
    ----------
    card
        One of those present.
    wanted
        Part of a name, in any case; empty: the best kinds. Without a card of that name the best
        kinds play: a wrong name is no reason for silence.
    """
    held = bool(card.holder)
    if card.matches(wanted):
        # The hardware before the plug-ins that lead to it under a similar name.
        other = card.name.lower() != wanted.lower()
        return 0, other, HARDWARE.search(card.name) is None, held
    return (1, _AUTOMATIC.index(card.kind), held) if card.kind in _AUTOMATIC else None


def rank(cards: Sequence[Card], wanted: str = "") -> list[Card]:
    """Return the cards that may play, the best first; ``wanted`` as for `sort_key`."""
    keys = [(key, index) for index, card in enumerate(cards) if (key := sort_key(card, wanted))]
    return [cards[index] for _, index in sorted(keys)]


def choose_card(cards: Sequence[Card], wanted: str = "") -> tuple[Card | None, list[Verdict]]:
    """Return the card that should play, and for every card why it was chosen or not."""
    ranked = rank(cards, wanted)
    # A card that our own player holds is the one that plays.
    usable = [card for card in ranked if card.opens or card.holder.startswith(OWN_NAME)]
    best = usable[0] if usable else None
    return best, [Verdict(card, card is best, _reason(card, best, wanted)) for card in cards]


def why_none(cards: Sequence[Card], wanted: str = "") -> str:
    """Return in one line why no card can be chosen."""
    present = ", ".join(f"'{card.name}'" for card in cards) or "none"
    if wanted and not any(card.matches(wanted) for card in cards):
        return f"no sound card matches '{wanted}'; present: {present}"
    if any(sort_key(card, wanted) is not None for card in cards):
        return "no sound card can be opened now"
    if cards:
        return f"no sound card that is played automatically; name one of: {present}"
    return "no sound card and no sound server"


def _reason(card: Card, best: Card | None, wanted: str) -> str:
    trouble = f"held by {card.holder}" if card.holder else card.closed
    held = f"; {trouble}" if trouble else ""
    words = f"named '{wanted}'" if card.matches(wanted) else KINDS[card.kind]
    if sort_key(card, wanted) is None:
        return _NEVER_AUTOMATIC[card.kind]
    if best is None or card is best:
        late = f"; {LISTENING}" if card.kind == "bluetooth" else ""
        unmet = f"; no card matches '{wanted}'" if wanted and not card.matches(wanted) else ""
        return words + late + unmet + held
    if card.matches(wanted):
        return f"{words}, but '{best.name}' fits better{held}"
    if best.matches(wanted):
        return f"not named '{wanted}'"
    if card.kind == best.kind:
        return f"{words}, but '{best.name}' comes first{held}"
    after = f": after {KINDS[best.kind]}" if rank([card, best])[0] is best else ""
    return words + after + held
