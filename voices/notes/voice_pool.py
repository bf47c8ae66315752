"""The voice pool: every voice there is, from its first sample to its last.

Whatever ends a note goes through one of these methods, which book it in the ledger and start the
last segment of its envelopes.

Units: frames, absolute. Threads: the instrument's.
"""

from collections.abc import Iterable, Mapping, Sequence

from config.settings import Settings
from config.sound import Sound
from voices.channels.channel import Channel
from voices.envelopes.envelope_segment import decay, fade
from voices.modulation.smoother import Smoother
from voices.notes.allocator import Allocator, KeyAddress
from voices.notes.note_count import Ledger, Note
from voices.notes.note_modulation import NoteModulation
from voices.notes.repertoire import Repertoire
from voices.notes.stolen_notes import StolenNotes
from voices.notes.voice import Voice
from voices.notes.voiced_anew import HeldNotes
from voices.phases.scratch import Scratch
from voices.synthesis.bank import Bank
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import TableCache
from voices.synthesis.voice_arrays import in_one_piece
from voices.synthesis.warped_voices import HIGHEST
from voices.timbres.timbre import Timbre
from voices.timbres.voicing import Shape, Voicing

MOST_FADING = 48
"""A bank has room for so many voices that fade for a moment beside those that sound; but not for
more than two of them for each of these."""
FADE_S = 0.004
"""The raised cosine on which a stolen note leaves (2 to 5 ms is click-free)."""


class VoicePool:
    """The voices, their banks and timbres."""

    def __init__(
        self,
        ledger: Ledger,
        smoother: Smoother,
        spectrum: PartialGains,
        sample_rate: int,
        frames: int,
        *,
        mono: bool,
        own_sound_only: bool = False,
    ) -> None:
        self.allocator: Allocator[Voice] = Allocator(1)
        self.banks: dict[Shape, Bank] = {}
        self._voice_of: dict[Slot, Voice] = {}
        self.settings: Settings
        self._repertoire: Repertoire | None = None
        self._voicings: dict[str, Voicing] = {}
        self._prepared: tuple[Repertoire, dict[Shape, Bank]] | None = None
        self.sample_rate = sample_rate
        self.ledger = ledger
        self.smoother = smoother
        self.modulation = NoteModulation(smoother)
        self.stolen = StolenNotes(ledger)
        self._frames = frames
        self.fade_frames = int(FADE_S * sample_rate)
        self.without_noises = False
        self._cache = TableCache(frames)
        self._shared = smoother, spectrum, self._cache, Scratch(frames, HIGHEST)
        self._mono, self._own_sound_only = mono, own_sound_only
        self.anew = HeldNotes()
        self.sounding = 0
        """How many voices sound, tails and fades included."""
        self.sending = 0
        """How many slots are sent to the room."""

    def prepare(self, settings: Settings, sounds: Mapping[str, Sound]) -> None:
        """Make ready what `apply` is about to put in force; in any thread."""
        ready = Repertoire(
            *(settings, sounds, self.sample_rate, self._frames),
            mono=self._mono,
            before=self._repertoire,
            own_only=self._own_sound_only and self._repertoire is None,
        )
        voices = settings.polyphony + min(2 * settings.polyphony, MOST_FADING)
        slots = {s: voices * n for s, n in ready.shapes().items() if s not in self.banks}
        banks = {
            shape: Bank(arrays, self._frames, *self._shared)
            for shape, arrays in in_one_piece(slots, self._frames)
        }
        self.anew.prepare(tuple(self.allocator.values()), self._repertoire, ready)
        self._prepared = ready, banks

    def apply(self, settings: Settings, sounds: Mapping[str, Sound], frame: int) -> None:
        """Put settings in force; sounding notes go on, but for those that are too many now."""
        ready, banks = self._prepared or (None, {})
        if ready is None or ready.settings is not settings or ready.sounds is not sounds:
            self.prepare(settings, sounds)
            self.apply(settings, sounds, frame)
            return
        before, self._repertoire, self._prepared = self._repertoire, ready, None
        self._cache.kept, self._voicings = ready.tables, ready.voicings
        self.banks.update(banks)
        for bank in self.banks.values():
            bank.use(ready.lines)
        self.settings = settings
        self.allocator.polyphony = settings.polyphony
        for voice in self.allocator.surplus():
            self.steal(voice, frame, "polyphony lowered")
        self.anew.renew(self.allocator.values(), before, ready)

    @property
    def sounds(self) -> Mapping[str, Sound]:
        """The sounds by name."""
        return self._repertoire.sounds if self._repertoire else {}

    def voicing(self, name: str) -> Voicing:
        """Return a sound ready to play; the settings' own if it is unknown or not given."""
        assert self._repertoire is not None, "settings are applied first"
        return self._repertoire.voicing(name)

    def timbres(self, name: str, key: int) -> Sequence[Timbre]:
        """Return what a note of a sound sounds in."""
        return (self._voicings.get(name) or self.voicing(name)).timbres(key)

    # --- notes begin -----------------------------------------------------------------------

    def make_room(self, address: KeyAddress, note: Note, at: int) -> None:
        """Free one of the polyphony's places, for a key that nothing sounds for."""
        if self.stolen.notes:
            self.stolen.end(address, at)
        if len(self.allocator) >= self.allocator.polyphony:
            self._retire(self._silent(at), at)
            for voice in self.allocator.surplus(coming=1):
                self.steal(voice, at, taken_by=note.serial)

    def _silent(self, at: int) -> list[Voice]:
        """Return the voices that count towards the polyphony and are silent at a frame."""
        voices = [
            self._voice_of[slot]
            for bank in self.banks.values()
            if bank.next_end <= at
            for slot in bank.slots
            if slot.ends <= at
        ]
        return [v for v in voices if v.ends <= at and self.allocator.get(v.address) is v]

    def give_way(self, voice: Voice, note: Note, at: int) -> None:
        """Fade a note whose key, or whose only voice, is struck again."""
        self.allocator.drop(voice)
        self.book(voice, "retriggered", at, taken_by=note.serial)
        self._fade(voice, at)

    def enter(self, voice: Voice) -> None:
        """Let a voice sound; its key's address must be free."""
        self.allocator[voice.address] = voice
        voice.release_noise = voice.slots[0].timbre.release_noise
        self.sounding += 1
        if self.without_noises:
            voice.slots = [slot for slot in voice.slots if not slot.timbre.is_noise]
        for slot in voice.slots:
            self.add(slot, voice)

    def add(self, slot: Slot, voice: Voice) -> None:
        """Let one more slot of a voice sound."""
        self._voice_of[slot] = voice
        if slot.wet:
            self.sending += 1
        self.banks[slot.timbre.shape].add(slot)

    def voices(self) -> Iterable[Voice]:
        """Return every voice that sounds, tails and fades included, once a slot."""
        return self._voice_of.values()

    def voices_of(self, channel: Channel) -> list[Voice]:
        """Return the voices of a channel that count towards the polyphony, the oldest first."""
        return [voice for voice in self.allocator.values() if voice.channel is channel]

    def jump_if_silent(self, channel: Channel, at: int) -> None:
        """Take the controls of a channel that is silent at a frame to their targets at once."""
        voices = [voice for voice in self.voices() if voice.channel is channel]
        if any(voice.ends > at for voice in voices):
            return
        for voice in voices:  # they still sound in this block, and their controls glide
            self.modulation.controls(voice)
        self.smoother.snap(channel.motion_row)

    # --- notes end -------------------------------------------------------------------------

    def release(self, voice: Voice, at: int) -> None:
        """Release a note that neither key nor pedal holds any more."""
        self.book(voice, "released", at)
        self.start_release(voice, at)

    def start_release(self, voice: Voice, at: int) -> None:
        """Start a note's release from the level it has."""
        if not voice.released:
            voice.key_down, voice.released, voice.latched = False, True, False
            octaves = voice.channel.control_channel.shape.release + voice.release_octaves
            factor = 2.0**octaves if octaves else 1.0
            for slot in voice.slots:
                rate = slot.timbre.release_rate / factor
                slot.bank.change(slot, decay(at, slot.segment.level_at(at), 0.0, rate))
            if voice.release_noise is not None and not self.without_noises:
                self.add(voice.begin_noise(voice.release_noise, at), voice)
            if voice.channel.manager is not None:
                self.modulation.leave_zone(voice, voice.channel.manager, at)

    def recapture(self, voice: Voice, at: int) -> None:
        """Hold a note in its release again, if it is still above where it would come to rest.

        Source: MIDI 1.0, A-5, for Hold 1. Partials that all decay by themselves rest at nothing.
        """
        if not voice.released or voice.note.account != "released":
            return
        for slot in voice.slots:
            timbre, level = slot.timbre, slot.level_at(at)
            dying = bool(timbre.decays[: timbre.count].all())
            sustain = voice.channel.control_channel.shape.sustained(timbre.sustain)
            if level > (0.0 if dying else sustain):
                voice.released = False
                rest = level if dying else sustain
                slot.change(decay(at, level, rest, timbre.decay_rate))

    def freeze(self, voice: Voice, at: int) -> None:
        """Keep a note at the level it has."""
        voice.frozen = True
        for slot in voice.slots:
            level = slot.level_at(at)
            slot.change(decay(at, level, level, 1.0))

    def resume(self, voice: Voice, at: int) -> None:
        """Let a note whose level was kept go on towards its sustain level."""
        voice.frozen = False
        for slot in voice.slots:
            timbre, level = slot.timbre, slot.level_at(at)
            rest = voice.channel.control_channel.shape.sustained(timbre.sustain)
            slot.change(decay(at, level, rest, timbre.decay_rate))

    def steal(self, voice: Voice, at: int, detail: str = "", taken_by: int = 0) -> None:
        """Take the voice from a note; its key may still be down."""
        if not voice.released:
            self.stolen.add(voice.address, voice.note, key_down=voice.key_down)
        self.book(voice, "stolen", at, detail, taken_by)
        self._fade(voice, at)

    def cut(self, voice: Voice, at: int, by: str) -> None:
        """End a note as fast as can be without a click."""
        self.book(voice, "cut", at, by)
        self.allocator.drop(voice)
        self._fade(voice, at)

    def drop_broken(self, slots: Iterable[Slot], at: int) -> None:
        """Give up the voices of slots whose sound is not finite."""
        for slot in slots:
            voice = self._voice_of[slot]
            if self.allocator.get(voice.address) is voice:
                self.cut(voice, at, "its sound was not a number")

    def end(self, slots: Iterable[Slot], at: int) -> None:
        """Take slots that are silent from their voices, and voices without any out of the pool."""
        for slot in slots:
            voice = self._voice_of.pop(slot)
            if slot.wet:
                self.sending -= 1
            voice.slots.remove(slot)
            if not voice.slots:
                self.sounding -= 1
                self._retire([voice], at)

    def _retire(self, silent: Iterable[Voice], at: int) -> None:
        """Take voices out of the polyphony."""
        for voice in silent:
            self.book(voice, "died away", at)
            self.allocator.drop(voice)
            self.modulation.free(voice)

    def end_tails(self, at: int) -> int:
        """Fade every note that is released; return how many."""
        tails = [voice for voice in self.allocator.values() if voice.released]
        for voice in tails:
            self.allocator.drop(voice)
            self._fade(voice, at)
        return len(tails)

    def _fade(self, voice: Voice, at: int) -> None:
        """End a voice on a raised cosine that makes no click."""
        voice.released = True
        for slot in voice.slots:
            slot.change(fade(at, slot.level_at(at), self.fade_frames))

    def book(
        self, voice: Voice, account: str, at: int, detail: str = "", taken_by: int = 0
    ) -> None:
        """Book what ended a note; one that never was audible is booked as that."""
        if not voice.audible:
            account, detail, taken_by = "inaudible at volume 0", "volume or expression was 0", 0
        self.ledger.end(voice.note, account, at, detail, taken_by)
