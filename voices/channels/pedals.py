"""The pedals of a channel, or of all channels of a zone."""

from dataclasses import dataclass


@dataclass(slots=True)
class Pedals:
    """Which pedals are down."""

    hold: bool = False
    """Hold 1: keys let go sound on."""
    sostenuto: bool = False
    """The keys that were down when it went down sound on."""
    soft: bool = False
    """Notes begin softer and duller."""
    legato: bool = False
    """A key struck before the last one is let go takes over its note."""
    freeze: bool = False
    """Hold 2: keys let go sound on at the level they have."""

    @property
    def holding(self) -> bool:
        """Whether a key that is let go sounds on, whichever it is."""
        return self.hold or self.freeze

    def lift(self) -> None:
        """Let every pedal come up."""
        self.hold = self.sostenuto = self.soft = self.legato = self.freeze = False
