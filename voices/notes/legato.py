"""Legato: notes that go on in the voice of another note, and notes that glide.

In mono mode, or while the legato footswitch is down, a key struck while another of its channel is
down takes over its voice: the pitch changes, the envelope goes on (MIDI 1.0, p. 14 and 22). When
that key is released, the voice returns to the key struck last among those still down (common
practice, no source). Portamento Control does the same from a key that it names (p. 16).

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
"""How long CC 78 at 127 delays the vibrato."""
ON = 64


class Legato:
    """What connects a note to the one before it."""

    def __init__(self, pool: VoicePool) -> None:
        self._pool = pool
        self._modulation = pool.modulation

    def take_over(self, channel: Channel, note: Note, at: int) -> bool:
        """Let a new note go on with a sounding voice, if there is one for it."""
        pool = self._pool
        named = channel.glide_from
        if named is not None:
            voice = pool.allocator.get((channel.controller, channel.number, named))
            if voice is not None and not voice.released:
                channel.glide_from = None
                self._change_note(voice, note, at, glides=True)
                return True
        if not (channel.mono or channel.pedals.legato):
            return False
        voices = [voice for voice in pool.voices_of(channel) if voice.key_down]
        if voices:
            voice = voices[-1]
            if voice.note.key != note.key:
                voice.covered = [*voice.covered, voice.note]
                channel.covers = True
                self._change_note(voice, note, at, glides=_portamento(channel))
                return True
        if channel.mono:
            for voice in pool.voices_of(channel):
                pool.give_way(voice, note, at)
        return False

    def begin(self, voice: Voice, at: int) -> None:
        """Start a new note's glide, if portamento wants one, and delay its vibrato."""
        channel = voice.channel
        values, source = channel.control_channel.values, channel.glide_from
        if source is None and values[65] < ON and values[78] <= 64:
            channel.last_key = voice.note.sounding_key
            return
        smoother = self._pool.smoother
        if source is not None:
            source = channel.sounding_key(source)
        elif _portamento(channel):
            source = channel.last_key
        key = voice.note.sounding_key
        channel.glide_from, channel.last_key = None, key
        if source is not None and source != key and (rate := self._glide_rate(channel)):
            cents = 1200.0 * log2(channel.tuning.frequencies[source] / voice.frequency)
            self._modulation.glide_from(voice, cents, rate, at)
            # From where the bend goes, not where it is: that depends on the block.
            smoother.set_value(voice.motion_row, PITCH, channel.targets[PITCH] + cents)
        if values[78] > 64:
            controls = self._modulation.controls(voice)
            delay = DELAY_S * (values[78] - 64) / 63
            controls.depth_from = at + round(delay * self._pool.sample_rate)
            depth = controls.targets[VIBRATO_DEPTH]
            smoother.set_value(voice.motion_row, VIBRATO_DEPTH, 0.0)
            smoother.set_target(voice.motion_row, VIBRATO_DEPTH, depth, controls.depth_from)

    def uncover(self, channel: Channel, key: int) -> None:
        """Forget a key that is released while its voice is another's."""
        voices = self._pool.voices_of(channel)
        for voice in voices:
            voice.covered = [note for note in voice.covered if note.key != key]
        channel.covers = any(voice.covered for voice in voices)

    def return_to_held(self, voice: Voice, at: int) -> bool:
        """Return a voice to the key struck last of those still down, if there is one."""
        if not voice.covered:
            return False
        *voice.covered, note = voice.covered
        self._pool.book(voice, "released", at)
        voice.offs_due = 1
        self._change_note(voice, note, at, glides=_portamento(voice.channel))
        return True

    def _change_note(self, voice: Voice, note: Note, at: int, *, glides: bool) -> None:
        """Make a voice that of another note of its channel."""
        pool, channel = self._pool, voice.channel
        pool.allocator.drop(voice)
        address = (channel.controller, channel.number, note.key)
        pool.stolen.end(address, at)
        if (before := pool.allocator.get(address)) is not None:
            pool.give_way(before, note, at)
        pool.book(voice, "retriggered", at, taken_by=note.serial)
        voice.note, voice.address, voice.key_down = note, address, True
        pool.allocator.enter(voice)
        channel.last_key = note.sounding_key
        controls = self._modulation.controls(voice)
        pitch = controls.pitch_at(at)
        controls.pitch = _pitch(voice)
        controls.glide_rate = 0.0
        if glides and (rate := self._glide_rate(channel)):
            self._modulation.glide_from(voice, pitch - controls.pitch, rate, at)
        self._modulation.refresh(voice, at)

    def retune(self, voice: Voice, at: int) -> None:
        """Bring a sounding note to its channel's tuning."""
        pitch = _pitch(voice)
        if voice.controls is None and pitch == 0.0:
            return
        controls = self._modulation.controls(voice)
        if controls.control_channel is voice.channel:
            controls.pitch = pitch
            self._modulation.refresh(voice, at)

    def _glide_rate(self, channel: Channel) -> float:
        """Return the portamento's cents per frame; 0: at once."""
        time = channel.control_channel.value(5)
        if time <= 0.0:
            return 0.0
        return portamento_cents_per_s(max(1.0, time)) / self._pool.sample_rate


def _portamento(channel: Channel) -> bool:
    """Return whether the portamento switch of a channel is on."""
    return channel.control_channel.values[65] >= ON


def _pitch(voice: Voice) -> float:
    """Return the pitch of a voice's key above the one for which it began, in cents."""
    frequency = voice.channel.tuning.frequencies[voice.note.sounding_key]
    return 1200.0 * log2(frequency / voice.frequency)
