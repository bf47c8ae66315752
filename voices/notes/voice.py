"""A voice: one sounding note and its place in a bank."""

from typing import TYPE_CHECKING

import numpy as np

from voices.channels.channel import Channel
from voices.notes.allocator import KeyAddress
from voices.notes.note_count import Note
from voices.synthesis.envelope_segment import Segment
from voices.synthesis.timbre import OnsetSpectrum, Timbre

if TYPE_CHECKING:
    from voices.notes.note_modulation import NoteControls
    from voices.synthesis.bank import Bank

SOFT_DB, SOFT_TILT_DB = -3.0, -1.5
"""What the soft pedal does: dB, and dB per octave above the key (our choice; no source)."""


class Voice:
    """One note, from its onset until its last sample.

    It has one of the polyphony's places until it is stolen or struck again; then it only fades.
    """

    bank: "Bank"
    index = -1
    """Its row there."""
    ends = float("inf")
    """The frame from which it is silent."""
    key_down = True
    offs_due = 1
    """How many Note Offs let its key go."""
    latched = False
    """Whether the sostenuto pedal holds it."""
    frozen = False
    """Whether Hold 2 keeps its level."""
    release_octaves = 0.0
    """How much slower it is released for how its key was let go."""
    own: "NoteControls | None" = None
    """What it does by itself, in a lane of its own; None: it moves with its channel."""
    released = False
    """Whether neither key nor pedal holds it."""
    audible = False
    """Whether its channel's gain has been above zero since its onset."""

    def __init__(
        self,
        note: Note,
        place: KeyAddress,
        channel: Channel,
        timbre: Timbre,
        frequency: float,
        segment: Segment,
        velocity: float,
        *,
        soft: bool = False,
    ) -> None:
        self.note = note
        self.place = place
        self.channel = channel
        self.lane = channel.index
        """Its row in `Smoother`: its channel's, or one of its own."""
        self.key = note.key
        """The key its spectrum is for."""
        self.timbre = timbre
        self.frequency = frequency
        """Cycles per frame of the key, not bent."""
        self.struck = _struck(timbre, velocity, soft=soft)
        self.segment = segment
        self.covered: list[Note] = []
        """The notes whose keys are still down but whose voice this is now (mono)."""


def _struck(timbre: Timbre, velocity: float, *, soft: bool) -> OnsetSpectrum:
    """Return what a voice begins with at a velocity of 1.0 to 127.0."""
    whole = int(velocity)
    struck = timbre.struck(whole)
    between = velocity - whole
    if not (between or soft):
        return struck
    levels = struck.fixed[3]
    if between and whole < 127:
        levels = levels + (timbre.struck(whole + 1).fixed[3] - levels) * between
    if soft:
        levels = levels * 10.0 ** ((SOFT_DB + SOFT_TILT_DB * np.maximum(timbre.octaves, 0.0)) / 20)
    return timbre.at(levels)
