"""Held notes of a sound that has been changed: they go on in the new one, without a new onset.

Units: frames, absolute. Threads: the instrument's, between two blocks.

The old spectrum fades and the new one rises on a raised cosine; what decays is as far down as it
would be had the note begun with it. Released notes end as they were.
"""

from typing import Protocol

import numpy as np

from voices.notes.allocator import Allocator
from voices.notes.repertoire import Repertoire
from voices.notes.voice import Voice, onset_spectrum
from voices.synthesis.envelope_segment import attack, fade
from voices.synthesis.slot import Slot
from voices.synthesis.voicing import Voicing

BLEND_S = 0.015


class Pool(Protocol):
    """Where the voices are."""

    allocator: Allocator[Voice]
    sample_rate: int

    def add(self, slot: Slot, voice: Voice) -> None:
        """Let one more slot of a voice sound."""


def voice_anew(pool: Pool, before: Repertoire, now: Repertoire, at: int) -> None:
    """Let held notes go on in sounds that are other than before under the same name."""
    for voice in list(pool.allocator.values()):
        name = voice.channel.sound_name
        if voice.released or voice.frozen or before.called(name) != now.called(name):
            continue
        old, new = before.voicing(name), now.voicing(name)
        if old is not new and voice.slots and voice.slots[0].timbre.sound is old.sound:
            _change(pool, voice, new, at)


def _change(pool: Pool, voice: Voice, voicing: Voicing, at: int) -> None:
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
        segment = attack(at, frames, 1.0 if rest else 0.0, timbre.decay_rate)
        fresh.append(
            Slot(
                *(timbre, first.key, first.frequency, spectrum, segment),
                *(voice.motion_row, first.wet),
            )
        )
    voice.slots[:0] = fresh  # the first one is asked about the voice's timbre
    for slot in fresh:
        pool.add(slot, voice)
