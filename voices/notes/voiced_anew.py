"""Held notes of a sound that has been changed: they go on in the new one, without a new onset.

Units: frames, absolute. Threads: the instrument's, between two blocks.

The old spectrum fades and the new one rises on a raised cosine; what decays is as far down as it
would be had the note begun with it. Released notes end as they were.
"""

from collections import deque
from collections.abc import Iterable
from typing import Protocol

import numpy as np

from voices.envelopes.envelope_segment import attack, fade
from voices.notes.allocator import Allocator
from voices.notes.repertoire import Repertoire
from voices.notes.voice import Voice, onset_spectrum
from voices.synthesis.slot import Slot
from voices.timbres.voicing import Voicing

BLEND_S = 0.015
A_BLOCK = 2
"""So many notes change in one block: a chord must not make it late."""


class Pool(Protocol):
    """Where the voices are."""

    allocator: Allocator[Voice]
    sample_rate: int

    def add(self, slot: Slot, voice: Voice) -> None:
        """Let one more slot of a voice sound."""


class HeldNotes:
    """The held notes that are still to go on in a changed sound."""

    def __init__(self) -> None:
        self.waiting: deque[tuple[Voice, str, Voicing]] = deque()
        """Each with the name of its sound, and the voicing in which it is to go on."""

    def prepare(self, voices: Iterable[Voice], before: Repertoire | None, now: Repertoire) -> None:
        """Work out beforehand what their change will need; in any thread."""
        for voice, _, voicing in self._of(voices, before, now) if before else ():
            for slot in voice.slots[:1]:  # it may have ended by now
                for timbre in voicing.timbres(slot.key):
                    timbre.decays_at(slot.key)
                    timbre.spectrum(max(1, voice.note.velocity), voice.note.serial)

    def renew(self, voices: Iterable[Voice], before: Repertoire | None, now: Repertoire) -> None:
        """Take note of the notes whose sounds are others now under the same name."""
        if before is not None:
            self.waiting = deque(self._of(voices, before, now))

    def change(self, pool: Pool, at: int) -> None:
        """Let a few of them go on in their sounds. Real-time safe."""
        for _ in range(min(A_BLOCK, len(self.waiting))):
            voice, _, voicing = self.waiting.popleft()
            voice_anew(pool, voice, voicing, at)

    def _of(
        self, voices: Iterable[Voice], before: Repertoire, now: Repertoire
    ) -> list[tuple[Voice, str, Voicing]]:
        still = {voice: name for voice, name, _ in tuple(self.waiting)}
        found = []
        for voice in voices:
            name = still.get(voice) or _played(voice, before)
            if voice.released or voice.frozen or before.called(name) != now.called(name):
                continue
            old, new = before.voicing(name), now.voicing(name)
            begun = any(slot.timbre.sound is old.sound for slot in voice.slots[:1])
            if voice in still or (old is not new and begun):
                found.append((voice, name, new))
        return found


def _played(voice: Voice, before: Repertoire) -> str:
    """Return the name of a note's sound: its channel may have another one by now."""
    name = voice.channel.sound_name
    for slot in voice.slots[:1]:
        if before.voicing(name).sound is not slot.timbre.sound:
            known = tuple(before.voicings.items())  # another thread may add one
            return next((each for each, v in known if v.sound is slot.timbre.sound), name)
    return name


def voice_anew(pool: Pool, voice: Voice, voicing: Voicing, at: int) -> None:
    """Let a held note go on in another voicing. Real-time safe."""
    if voice.released or not voice.slots:
        return
    frames = round(BLEND_S * pool.sample_rate)
    first, shape = voice.slots[0], voice.channel.control_channel.shape
    level = first.level_at(at)
    for slot in voice.slots:
        slot.change(fade(at, slot.level_at(at), frames))
    since = max(0, at - voice.note.on_frame)
    fresh = []
    for timbre in voicing.timbres(first.key):
        rest = shape.sustained(timbre.sustain)
        begun = onset_spectrum(timbre, max(1, voice.note.velocity), voice.note.serial, soft=False)
        decayed = np.exp(-timbre.decays_at(first.key) * since)
        levels = begun.levels * decayed * (rest or level)
        spectrum = timbre.with_levels(levels, voice.note.serial)
        segment = attack(at, (frames, 1.0 if rest else 0.0, timbre.decay_rate))
        fresh.append(
            Slot(
                *(timbre, first.key, first.frequency, spectrum, segment),
                *(voice.motion_row, first.wet),
            )
        )
    voice.slots[:0] = fresh  # the first one is asked about the voice's timbre
    for slot in fresh:
        pool.add(slot, voice)
