"""A voice: one sounding note and its place in a bank."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from voices.allocator import Place
from voices.channel import Channel
from voices.ledger import Note
from voices.segment import Segment
from voices.timbre import Timbre

if TYPE_CHECKING:
    from voices.bank import Bank


class Voice:
    """One note, from its onset until its last sample.

    It has one of the polyphony's places until it is stolen or struck again; then it only fades.
    """

    __slots__ = (
        "audible",
        "bank",
        "channel",
        "decays",
        "ends",
        "frequency",
        "index",
        "key",
        "key_down",
        "lane",
        "levels",
        "loudest",
        "note",
        "place",
        "released",
        "segment",
        "timbre",
    )

    def __init__(
        self,
        note: Note,
        place: Place,
        channel: Channel,
        timbre: Timbre,
        frequency: float,
        segment: Segment,
    ) -> None:
        self.note = note
        self.place = place
        self.channel = channel
        self.lane = channel.index
        """Its row in `Motion`: its channel's, or one of its own."""
        self.key = note.key
        """The key its spectrum is for."""
        self.timbre = timbre
        self.frequency = frequency
        """Cycles per frame of the key, not bent."""
        self.levels, self.loudest = timbre.levels_at(note.velocity)
        self.decays: NDArray[np.float64] = timbre.decays_at(note.key)
        self.segment = segment
        self.ends = float("inf")
        """The frame from which it is silent."""
        self.key_down = True
        self.released = False
        """Whether neither key nor pedal holds it."""
        self.audible = False
        """Whether its channel's gain has been above zero since its onset."""
        self.bank: Bank
        self.index = -1
