"""An entry: one thing a controller may send, what it does, and the words that describe it.

The tables made of entries drive the receiver; the implementation chart is printed from them.
"""

from collections.abc import Callable
from typing import NamedTuple

from voices.channels.channel import Channel
from voices.receiver.part import Part

Handler = Callable[[Part, Channel, int, int, int], None]
"""Takes the part, the channel, two data bytes (a number and a value) and the frame."""


class Entry(NamedTuple):
    """One row of a table."""

    handler: Handler | None
    """What it does; None: not recognised."""
    function: str
    """What its standard calls it."""
    remarks: str = ""

    @property
    def recognised(self) -> bool:
        """Whether it does anything here."""
        return self.handler is not None
