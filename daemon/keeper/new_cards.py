"""Sound cards that come: noticed at all, and while another one plays.

Threads: the main loop's alone.

A card that was there when the player began, and was not taken then, is not new: it could not be
opened, or the other was better. One that was held and has been released is.
"""

import os
from collections.abc import Callable, Sequence

from daemon.soundcard.card import Card, sort_key
from daemon.soundcard.card_list import present_cards
from daemon.soundcard.speakers import SpeakerWatch


class NewCards:
    """What has come since the player began.

    Parameters
    ----------
    look
        Returns the cards that we may open now: `cards_now`.
    """

    def __init__(self, look: Callable[[], Sequence[Card]]) -> None:
        self._look = look
        self._playing: Card | None = None
        self._known: set[tuple[int, str]] = set()

    def begin(self, playing: Card) -> None:
        """Take what is there beside the card that plays from now on."""
        self._playing = playing
        self._known = self._free().keys() | set()

    def better(self, wanted: str) -> Card | None:
        """Return a new card that should play instead; None: there is none.

        Parameters
        ----------
        wanted
            Part of a card's name, as in the settings; a card of that name comes before any other.
        """
        if self._playing is None:
            return None
        free = self._free()
        new = [card for place, card in free.items() if place not in self._known]
        self._known &= free.keys()  # what has gone may come again
        merit = _merit(self._playing, wanted)
        better = [card for card in new if _merit(card, wanted) < merit]
        return min(better, key=lambda card: _merit(card, wanted), default=None)

    def _free(self) -> dict[tuple[int, str], Card]:
        return {(card.number, card.identity): card for card in self._look() if not card.holder}


def cards_now(speakers: SpeakerWatch) -> list[Card]:
    """Return the kernel's cards that we may open, and the speakers that are connected."""
    return [*present_cards(), *speakers.look()]


def cards_stamp() -> object:
    """Return what changes when a sound card comes or goes, or begins to be ours to open.

    A card that has just come belongs to root until udev has seen it: its node changes then.
    """
    try:
        with os.scandir("/dev/snd") as nodes:
            return sorted((node.name, node.stat().st_ctime_ns) for node in nodes)
    except OSError:
        return None


def _merit(card: Card, wanted: str) -> tuple[int, ...]:
    """Return the less, the better; all cards of one name are alike, and all of one kind."""
    found = sort_key(card, wanted)
    if found is None:
        return (2,)
    return found[:1] if found[0] == 0 else found[:2]
