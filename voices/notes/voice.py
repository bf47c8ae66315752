"""A voice: one sounding note and the slots in which it sounds."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.channels.channel import Channel
from voices.channels.note_controls import NoteControls
from voices.envelopes.envelope_segment import attack
from voices.notes.allocator import KeyAddress
from voices.notes.note_count import Note
from voices.phases.onset_spectrum import OnsetSpectrum
from voices.synthesis.slot import Slot
from voices.timbres.timbre import Timbre

SOFT_DB, SOFT_TILT_DB = -3.0, -1.5
"""What the soft pedal does: dB, and dB per octave above the key (our choice; no source)."""


@dataclass(slots=True, eq=False)
class Voice:
    """One note, from its onset until its last sample.

    It counts towards the polyphony until it is stolen or its key is struck again; then it only
    fades.
    """

    note: Note
    address: KeyAddress
    channel: Channel
    frequency: float
    """Cycles per frame of the key for which it began, not bent."""
    slots: list[Slot]
    """Where it sounds; those that are silent leave."""
    motion_row: int
    """Its row in `Smoother`: its channel's, or one of its own."""
    controls: NoteControls | None = None
    """What it adds to its channel's controls; None: it moves with its channel."""
    offs_due: int = 1
    """How many Note Offs release its key."""
    key_down: bool = True
    drone: bool = False
    """Whether it sounds on when its key comes up, until that is struck again."""
    latched: bool = False
    """Whether the sostenuto pedal holds it."""
    frozen: bool = False
    """Whether Hold 2 keeps its level."""
    released: bool = False
    """Whether neither key nor pedal holds it."""
    release_octaves: float = 0.0
    """How much slower its release is for the velocity with which its key came up."""
    audible: bool = False
    """Whether its channel's gain has been above zero since its onset."""
    covered: Sequence[Note] = ()
    """The notes whose keys are still down but whose voice this is now (mono)."""
    release_noise: Timbre | None = None
    """What is heard as its key is released, whichever of its slots sound then."""

    @property
    def ends(self) -> float:
        """The frame from which it is silent."""
        ends = 0.0
        for slot in self.slots:
            ends = max(ends, slot.ends)
        return ends

    def begin_noise(self, noise: Timbre, at: int) -> Slot:
        """Return one slot more, in which a noise begins."""
        first = self.slots[0]
        spectrum = noise.spectrum(max(1, self.note.velocity), self.note.serial)
        segment = attack(at, noise.course)
        note = first.key, first.frequency
        slot = Slot(noise, *note, spectrum, segment, self.motion_row, first.wet)
        self.slots.append(slot)
        return slot

    def follow(self, motion_row: int) -> None:
        """Move with another row of `Smoother` from now on."""
        self.motion_row = motion_row
        for slot in self.slots:
            slot.follow(motion_row)


def onset_spectrum(timbre: Timbre, velocity: float, which: int, *, soft: bool) -> OnsetSpectrum:
    """Return what a slot begins with at a velocity of 1.0 to 127.0; ``which`` set of phases."""
    whole = int(velocity)
    spectrum = timbre.spectrum(whole, which)
    between = velocity - whole
    if not (between or soft):
        return spectrum
    levels: NDArray[Any] = spectrum.levels
    if between and whole < 127:
        levels = levels + (timbre.spectrum(whole + 1, which).levels - levels) * between
    if soft:
        levels = levels * 10.0 ** ((SOFT_DB + SOFT_TILT_DB * np.maximum(timbre.octaves, 0.0)) / 20)
    return timbre.with_levels(levels, which)
