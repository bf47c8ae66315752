"""The allocator: which notes have a voice, and which one gives its voice up.

At most ``polyphony`` notes have a voice. When one more begins, the oldest of the released notes
gives way, and when none is released, the oldest of all; a note held by a pedal counts as held. A
key struck again while its last note sounds takes over that note's voice.
"""

from collections.abc import Iterator
from typing import Protocol, TypeVar

KeyAddress = tuple[int, int, int]
"""Controller, channel and key."""


class Holdable(Protocol):
    """What the allocator must know about a voice."""

    @property
    def address(self) -> KeyAddress:
        """The key that struck it."""

    @property
    def released(self) -> bool:
        """Whether neither key nor pedal holds it."""


V = TypeVar("V", bound=Holdable)


class Allocator(dict[KeyAddress, V]):
    """The voices in use by address, the oldest first."""

    def __init__(self, polyphony: int) -> None:
        super().__init__()
        self.polyphony = polyphony

    def victim(self) -> V:
        """Return the voice that gives way next."""
        voices = iter(self.values())
        oldest = next(voices)
        if oldest.released:
            return oldest
        return next((voice for voice in voices if voice.released), oldest)

    def surplus(self, coming: int = 0) -> Iterator[V]:
        """Yield the voices that must give way before ``coming`` more begin."""
        while len(self) + coming > self.polyphony:
            voice = self.victim()
            del self[voice.address]
            yield voice

    def enter(self, voice: V) -> None:
        """Enter a new voice; its address must be free."""
        self[voice.address] = voice

    def drop(self, voice: V) -> None:
        """Take a voice out, if it is still in use."""
        if self.get(voice.address) is voice:
            del self[voice.address]
