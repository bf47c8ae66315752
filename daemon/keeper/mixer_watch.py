"""The mixer of the card that plays: somebody may close it in the middle of a song.

Units: microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone; the player is never asked.

Each closing is logged once, and the opening after it. Nothing is corrected here, unlike when a
player begins: who turns a card off while it plays means it. What was closed then, the player has
logged.
"""

import logging
from collections.abc import Callable, Sequence

from daemon.diagnosis.rate_limit import Repeats
from daemon.soundcard.alsa_control import ControlDevice, Element
from daemon.soundcard.card import Card
from daemon.soundcard.mixer import closed_paths

log = logging.getLogger(__name__)

LOOK_US = 2_000_000


def controls(number: int) -> list[Element]:
    """Return the controls of a card, by the kernel's number; OSError when it is gone."""
    # Closed again at once: an open control device would keep a pulled card's number taken.
    with ControlDevice(number) as device:
        return device.elements()


class MixerWatch:
    """What of the playing card's mixer keeps the sound in.

    Parameters
    ----------
    read
        Returns a card's controls as they stand, as `controls` does.
    """

    def __init__(self, read: Callable[[int], Sequence[Element]] = controls) -> None:
        self._read = read
        self._closed: dict[str, str] | None = None
        self._look_us = 0
        self._repeats = Repeats(log)

    @property
    def lines(self) -> list[str]:
        """What is closed now, in words."""
        return [_words(name, state) for name, state in (self._closed or {}).items()]

    def tick(self, card: Card | None, now_us: int) -> None:
        """Look, when it is time; ``card``: the one that plays, or None."""
        self._repeats.tick(now_us)
        if card is None or card.number < 0:
            self._closed, self._look_us = None, now_us
            return
        if now_us < self._look_us:
            return
        self._look_us = now_us + LOOK_US
        try:
            now = closed_paths(self._read(card.number))
        except OSError:
            return  # gone, which others notice, or without a mixer
        before = now if self._closed is None else self._closed
        self._closed = now
        for name in now.keys() - before.keys():
            text = f"on '{card.name}' {_words(name, now[name])}"
            self._repeats.log(logging.WARNING, text, now_us)
        for name in before.keys() - now.keys():
            self._repeats.log(logging.INFO, f"on '{card.name}' '{name}' can be heard again", now_us)


def _words(name: str, state: str) -> str:
    return f"'{name}' {state}: nothing is heard until that is undone"
