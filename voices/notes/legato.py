"""Slurs: notes that go on as another note, and notes that glide.

In mono mode, or while the legato footswitch is down, a key struck before the last one is let go
takes over its voice: the pitch changes, the envelope goes on (MIDI 1.0, p. 14 and 22). When it is
let go, the voice returns to the key struck last among those still down (common practice, no
source). Portamento Control does the same from a key that it names (p. 16).

Units: cents, frames.
"""

from math import log2

from voices.channels.channel import Channel
from voices.curves import portamento_cents_per_s
from voices.modulation.smoother import PITCH, VIBRATO_DEPTH
from voices.notes.note_count import Note
from voices.notes.voice import Voice
from voices.notes.voice_pool import VoicePool

DELAY_S = 2.0
"""How long CC 78 at 127 keeps the vibrato back."""


class Legato:
    """What connects a note to the one before it."""

    def __init__(self, ensemble: VoicePool) -> None:
        self._ensemble = ensemble
        self._lanes = ensemble.lanes

    def take_over(self, channel: Channel, note: Note, at: int) -> bool:
        """Let a new note go on with a sounding voice, if there is one for it."""
        allocator = self._ensemble.allocator
        named = channel.glide_from
        if named is not None:
            voice = allocator.get((channel.controller, channel.number, named))
            if voice is not None and not voice.released:
                channel.glide_from = None
                self._change(voice, note, at, glides=True)
                return True
        if not (channel.mono or channel.pedals.legato):
            return False
        voices = [voice for voice in self._ensemble.of(channel) if voice.key_down]
        if voices:
            voice = voices[-1]
            if voice.note.key != note.key:
                voice.covered.append(voice.note)
                channel.covers = True
                self._change(voice, note, at, glides=channel.leader.values[65] >= 64)
                return True
        if channel.mono:
            for voice in self._ensemble.of(channel):
                self._ensemble.give_way(voice, note, at)
        return False

    def begin(self, voice: Voice, at: int) -> None:
        """Let a new note come from where portamento wants it, and its vibrato when it is due."""
        channel = voice.channel
        leader = channel.leader
        source = channel.glide_from
        if source is None and leader.values[65] >= 64:
            source = channel.last_key
        channel.glide_from, channel.last_key = None, voice.key
        if source is not None and source != voice.key and (pace := self._pace(leader)):
            left = 1200.0 * log2(channel.tuning.turning[source] / voice.frequency)
            self._lanes.glide_from(voice, left, pace, at)
            # From where the bend goes, not where it is: that depends on the block.
            self._ensemble.motion.set_value(voice.lane, PITCH, channel.goals[PITCH] + left)
        if leader.values[78] > 64:
            own = self._lanes.give(voice)
            delay = DELAY_S * (leader.values[78] - 64) / 63
            own.swing_from = at + round(delay * self._ensemble.sample_rate)
            self._ensemble.motion.set_value(voice.lane, VIBRATO_DEPTH, 0.0)
            self._ensemble.motion.set_target(
                voice.lane, VIBRATO_DEPTH, own.goals[VIBRATO_DEPTH], own.swing_from
            )

    def uncover(self, channel: Channel, key: int) -> None:
        """Forget a key that is let go while its voice is another's."""
        voices = self._ensemble.of(channel)
        for voice in voices:
            voice.covered = [note for note in voice.covered if note.key != key]
        channel.covers = any(voice.covered for voice in voices)

    def go_back(self, voice: Voice, at: int) -> bool:
        """Return a voice to the key struck last of those still down, if there is one."""
        if not voice.covered:
            return False
        note = voice.covered.pop()
        self._ensemble.book(voice, "released", at)
        voice.offs_due = 1
        self._change(voice, note, at, glides=voice.channel.leader.values[65] >= 64)
        return True

    def _change(self, voice: Voice, note: Note, at: int, *, glides: bool) -> None:
        """Make a voice that of another note of its channel."""
        ensemble, channel = self._ensemble, voice.channel
        ensemble.allocator.drop(voice)
        place = (channel.controller, channel.number, note.key)
        ensemble.lost.end(place, at)
        ensemble.give_way(ensemble.allocator.get(place), note, at)
        ensemble.book(voice, "retriggered", at, taken_by=note.serial)
        voice.note, voice.place, voice.key_down = note, place, True
        ensemble.allocator.strike(voice)
        channel.last_key = note.key
        own = self._lanes.give(voice)
        before = own.cents_at(at)
        own.base = self._base(voice)
        pace = self._pace(channel.leader) if glides else 0.0
        own.pace = 0.0
        if pace:
            self._lanes.glide_from(voice, before - own.base, pace, at)
        self._lanes.aim(voice, at)

    def retune(self, voice: Voice, at: int) -> None:
        """Bring a sounding note to its channel's tuning."""
        base = self._base(voice)
        if voice.own is None and base == 0.0:
            return
        own = self._lanes.give(voice)
        if own.leader is voice.channel:
            own.base = base
            self._lanes.aim(voice, at)

    def _base(self, voice: Voice) -> float:
        """Return a note's own pitch over the one its voice was struck for."""
        turning = voice.channel.tuning.turning[voice.note.key]
        return 1200.0 * log2(turning / voice.frequency)

    def _pace(self, leader: Channel) -> float:
        """Return the portamento's cents per frame; 0: at once."""
        time = leader.value(5)
        if time <= 0.0:
            return 0.0
        return portamento_cents_per_s(max(1.0, time)) / self._ensemble.sample_rate
