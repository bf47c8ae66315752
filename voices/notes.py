"""The notes: from a key struck to a voice, and to what ends it.

Every note-on comes through `Notes.strike`; whatever ends a note goes through one of the other
methods, which book it in the ledger and start the last segment of its envelope.

Units: frames, absolute. Threads: the instrument's.
"""

from collections.abc import Iterable, Mapping

from config.settings import Settings, Tuning
from config.sound import Sound
from config.temperament import offsets
from voices.allocator import Allocator
from voices.bank import Bank
from voices.channel import Channel
from voices.laws import key_frequency
from voices.ledger import Ledger
from voices.lost import Lost
from voices.motion import LEFT, RIGHT, Motion
from voices.segment import fade, note_on, release
from voices.spectrum import Spectrum
from voices.table_cache import TableCache
from voices.timbre import Timbre
from voices.voice import Voice

FADE_S = 0.004
"""The raised cosine on which a stolen note leaves (2 to 5 ms is click-free)."""


class Notes:
    """Every voice there is, and the rules by which notes come and go."""

    def __init__(
        self, ledger: Ledger, motion: Motion, spectrum: Spectrum, sample_rate: int, frames: int
    ) -> None:
        self.allocator: Allocator[Voice] = Allocator(1)
        self.banks: dict[int, Bank] = {}
        self.sounds: Mapping[str, Sound] = {}
        self.settings: Settings
        self._tuning: Tuning | None = None
        self._turning: list[float] = []
        """Cycles per frame of every key."""
        self._ledger = ledger
        self._motion = motion
        self._spectrum = spectrum
        self._sample_rate = sample_rate
        self._frames = frames
        self._fade_frames = int(FADE_S * sample_rate)
        self._lost = Lost(ledger)
        self._cache = TableCache(frames)
        self._timbres: dict[str, Timbre] = {}

    def apply(self, settings: Settings, sounds: Mapping[str, Sound], frame: int) -> None:
        """Put settings in force; sounding notes go on, but for those that are too many now."""
        if sounds is not self.sounds:
            self.sounds = sounds
            self._timbres = {}
        self.settings = settings
        if settings.tuning != self._tuning:
            self._tuning = settings.tuning
            tuned = offsets(settings.tuning.temperament)
            self._turning = [
                key_frequency(key, settings.tuning.a4_hz, tuned) / self._sample_rate
                for key in range(128)
            ]
        self.allocator.polyphony = settings.polyphony
        for voice in self.allocator.surplus():
            self._steal(voice, frame, "polyphony lowered")

    def warm_up(self) -> None:
        """Make the tables of every key of the settings' sound, so that no first note waits."""
        timbre = self._timbre("")
        self._bank(timbre)
        self._cache.prepare(timbre, enumerate(self._turning))

    def _timbre(self, name: str) -> Timbre:
        """Return a sound ready to play; the settings' own if it is unknown or not given."""
        if name not in self.sounds:
            name = self.settings.sound.name
        if name not in self._timbres:
            self._timbres[name] = Timbre(self.sounds[name], self._sample_rate)
        return self._timbres[name]

    def _bank(self, timbre: Timbre) -> Bank:
        bank = self.banks.get(timbre.partials)
        if bank is None:
            bank = self.banks[timbre.partials] = Bank(
                timbre.partials,
                self._frames,
                self.settings.polyphony,
                self._motion,
                self._spectrum,
                self._cache,
            )
        return bank

    # --- notes begin -----------------------------------------------------------------------

    def strike(self, channel: Channel, key: int, velocity: int, at: int) -> None:
        """Begin a note, or book why it cannot sound."""
        settings = self.settings.controller
        if settings.channels and channel.number + 1 not in settings.channels:
            self._refuse("channel not listened to", channel, key, velocity, at)
            return
        timbre = self._timbre(channel.sound)
        turning = self._turning[key]
        if turning * self._motion.pitch(channel.index) * timbre.lowest >= 0.5:
            self._refuse("above half the sample rate", channel, key, velocity, at)
            return
        velocity = settings.fixed_velocity or velocity
        note = self._ledger.strike(channel.controller, channel.number + 1, key, velocity, at)
        place = (channel.controller, channel.number, key)
        self._make_room(place, f"by note {note.serial}", at)
        if not self._busy(channel, at):
            self._motion.jump(channel.index)
        attack = timbre.attack * 2.0**channel.attack_octaves
        segment = note_on(at, attack, timbre.sustain, timbre.decay_rate)
        voice = Voice(note, place, channel, timbre, turning, segment)
        voice.audible = bool(channel.goals[LEFT] or channel.goals[RIGHT])
        self.allocator.strike(voice)
        self._bank(timbre).add(voice)

    def _refuse(self, account: str, channel: Channel, key: int, velocity: int, at: int) -> None:
        self._ledger.turn_away(account, channel.controller, channel.number + 1, key, velocity, at)

    def _make_room(self, place: tuple[int, int, int], by: str, at: int) -> None:
        """Free the place of a key, and one of the polyphony's."""
        self._lost.end(place, at)
        again = self.allocator.pop(place, None)
        if again is not None:
            self._book(again, "retriggered", at, by)
            self._fade(again, at)
        if len(self.allocator) >= self.allocator.polyphony:
            self.retire([voice for voice in self.allocator.values() if voice.ends <= at], at)
        for voice in self.allocator.surplus(coming=1):
            self._steal(voice, at, by)

    def _busy(self, channel: Channel, at: int) -> bool:
        """Return whether anything of a channel still sounds at a frame."""
        return any(
            voice.channel is channel and voice.ends > at
            for bank in self.banks.values()
            for voice in bank.voices
        )

    def heard(self, channel: Channel) -> None:
        """Remember that the notes of a channel can be heard now."""
        for voice in self._of(channel):
            voice.audible = True

    # --- notes end -------------------------------------------------------------------------

    def key_up(self, channel: Channel, key: int, at: int) -> None:
        """Let a key go; a pedal may hold on to its note."""
        place = (channel.controller, channel.number, key)
        self._lost.key_up(place, at, pedal=channel.sustain)
        voice = self.allocator.get(place)
        if voice is not None and voice.key_down:
            voice.key_down = False
            if not channel.sustain:
                self._let_go(voice, at)

    def keys_up(self, channel: Channel, at: int) -> None:
        """Let every key of a channel go."""
        self._lost.keys_up(channel.controller, channel.number, at, pedal=channel.sustain)
        for voice in self._of(channel):
            voice.key_down = False
            if not channel.sustain:
                self._let_go(voice, at)

    def pedal_up(self, channel: Channel, at: int) -> None:
        """Let go what only the pedal of a channel held."""
        self._lost.pedal_up(channel.controller, channel.number, at)
        for voice in self._of(channel):
            if not voice.key_down:
                self._let_go(voice, at)

    def silence(self, channel: Channel, at: int) -> None:
        """End every note of a channel at once, without a click."""
        self._lost.keys_up(channel.controller, channel.number, at, pedal=False)
        for voice in self._of(channel):
            self._book(voice, "cut", at, "all sound off")
            self.allocator.drop(voice)
            self._fade(voice, at)

    def unplugged(self, controller: int, at: int) -> None:
        """Release every note of a controller that is gone."""
        self._lost.unplugged(controller, at)
        for voice in [each for each in self.allocator.values() if each.place[0] == controller]:
            self._book(voice, "cut", at, "controller unplugged")
            self._release(voice, at)

    def retire(self, ended: Iterable[Voice], at: int) -> None:
        """Take voices that are silent out of the polyphony."""
        for voice in ended:
            self._book(voice, "died away", at)
            self.allocator.drop(voice)

    def end_tails(self, at: int) -> int:
        """Fade every note that is released; return how many."""
        tails = [voice for voice in self.allocator.values() if voice.released]
        for voice in tails:
            self.allocator.drop(voice)
            self._fade(voice, at)
        return len(tails)

    def _of(self, channel: Channel) -> list[Voice]:
        return [voice for voice in self.allocator.values() if voice.channel is channel]

    def _let_go(self, voice: Voice, at: int) -> None:
        """Release a note that neither key nor pedal holds any more."""
        self._book(voice, "released", at)
        self._release(voice, at)

    def _release(self, voice: Voice, at: int) -> None:
        if not voice.released:
            voice.key_down, voice.released = False, True
            rate = voice.timbre.release_rate / 2.0**voice.channel.release_octaves
            voice.bank.change(voice, release(at, voice.segment.at(at), rate))

    def _steal(self, voice: Voice, at: int, by: str) -> None:
        """Take the voice from a note; its key may still be down."""
        if not voice.released:
            self._lost.add(voice.place, voice.note, key_down=voice.key_down)
        self._book(voice, "stolen", at, by)
        self._fade(voice, at)

    def _fade(self, voice: Voice, at: int) -> None:
        """End a voice on a raised cosine that makes no click."""
        voice.released = True
        voice.bank.change(voice, fade(at, voice.segment.at(at), self._fade_frames))

    def _book(self, voice: Voice, account: str, at: int, detail: str = "") -> None:
        """Settle a note; one that never was audible is booked as that."""
        if not voice.audible:
            account, detail = "inaudible at volume 0", "volume or expression was 0"
        self._ledger.settle(voice.note, account, at, detail)
