"""The stream to a sound card, whatever opens it: the sound library, or ALSA itself for a speaker.

Units: frames, seconds.
Threads: as the stream's own.
"""

from collections.abc import Callable
from typing import Protocol

from daemon.soundcard.card import Card
from daemon.soundcard.output import Output, Source
from daemon.soundcard.speaker_output import SpeakerOutput


class Stream(Protocol):
    """An open stream; it plays once started."""

    card: Card
    sample_rate: int
    channels: int
    blocks: int
    """Blocks asked for so far."""

    @property
    def delay_s(self) -> float:
        """Seconds from block to card."""

    def start(self) -> None:
        """Start the stream; may raise OutputError."""

    def alive(self, now_s: float) -> bool:
        """Return whether it has asked for a block lately."""


def open_stream(
    card: Card,
    source: Source,
    *,
    block_frames: int,
    sample_rate: int = 0,
    on_first: Callable[[], None] | None = None,
) -> Stream:
    """Open a card; its parameters, and OutputError, as for `Output`."""
    kind = SpeakerOutput if card.pcm else Output
    return kind(card, source, block_frames=block_frames, sample_rate=sample_rate, on_first=on_first)
