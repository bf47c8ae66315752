"""The choice and opening of the player's sound card: the best one that opens, at its own rate.

Units: rates in frames per second.
Threads: the player's main thread, before its stream runs.

Neither a name that no card has, nor a rate that the card does not support, nor a card that another
program plays on is a reason for silence: the next best is tried, and what failed is reported.
"""

import re
import time
from collections.abc import Callable, Sequence
from typing import Literal, TypeVar

from daemon.errors import DeviceError
from daemon.ipc.messages import Level
from daemon.linux.sound_devices import may_open_all
from daemon.soundcard.card import Card, rank, why_none
from daemon.soundcard.card_list import NOT_OURS, list_cards, present_cards, with_conversion
from daemon.soundcard.output import OutputError

Report = Callable[[Literal["log", "refused"], str, Level], None]
"""Takes what it is, a line and its level; what is refused is the last word."""

_Opened = TypeVar("_Opened")
# PortAudio's messages for hardware with none of the formats that it converts itself.
_NO_FORMAT = re.compile(r"sample format|sample rate|number of channels", re.IGNORECASE)

_POLL_S = 0.01


def await_access(
    patience_s: float,
    may_open: Callable[[], bool] = may_open_all,
    pause: Callable[[float], None] = time.sleep,
) -> bool:
    """Wait a moment for cards that have just come: they belong to root until udev has seen them.

    Return whether all may be opened now.
    """
    for _ in range(round(patience_s / _POLL_S)):
        if may_open():
            return True
        pause(_POLL_S)
    return may_open()


def has_come(cards: Sequence[Card], present: Callable[[], Sequence[Card]] = present_cards) -> bool:
    """Return whether a card that was not ours yet when it was listed can be opened now."""
    names = {card.name for card in cards if card.closed == NOT_OURS}
    return bool(names) and any(card.name in names for card in present())


def candidates(wanted: str, report: Report) -> list[Card]:
    """Return the cards that may play, the best first; none: that was reported."""
    try:
        cards = list_cards()
    except DeviceError as error:
        report("refused", str(error), "warning")
        return []
    ranked = rank(cards, wanted)
    if not ranked:
        report("refused", why_none(cards, wanted), "warning")
    elif wanted and not ranked[0].matches(wanted):
        text = f"no sound card matches '{wanted}'; the best one plays until it comes"
        report("log", text, "warning")
    return ranked


def open_first(
    cards: Sequence[Card],
    sample_rate: int,
    attempt: Callable[[Card, int], _Opened],
    report: Report,
    convert: Callable[[Sequence[Card]], list[Card]] = with_conversion,
) -> _Opened | None:
    """Return the first card that opens; None: none did, and that was reported.

    Parameters
    ----------
    cards
        The best first.
    sample_rate
        As set; 0: the card's own.
    attempt
        Opens a card at a rate, or raises OutputError.
    convert
        Returns cards behind ALSA's format conversion; only these can be opened from then on.
    """
    faults: list[str] = []
    waiting, converting = list(cards), False
    while waiting:
        card = waiting.pop(0)
        opened = None
        if not card.opens:
            faults.append(f"'{card.name}': {card.closed}")
        else:
            opened = _at_its_rates(card, sample_rate, attempt, faults)
        if opened is not None:
            if converting:
                faults.append(
                    f"'{card.name}' plays through ALSA's conversion, which is a little less pure"
                )
            for fault in faults:
                report("log", fault, "warning")
            return opened
        if not converting and card.number >= 0 and _NO_FORMAT.search(faults[-1]):
            waiting, converting = convert([card, *waiting]), True
    report("refused", "; ".join(faults), "warning")
    return None


def _at_its_rates(
    card: Card, sample_rate: int, attempt: Callable[[Card, int], _Opened], faults: list[str]
) -> _Opened | None:
    for rate in dict.fromkeys((sample_rate or card.rate, card.rate)):
        try:
            return attempt(card, rate)
        except OutputError as error:
            held = f"; held by {card.holder}" if card.holder else ""
            faults.append(f"'{card.name}' can't be opened at {rate:,} Hz: {error}{held}")
    return None
