"""The instrument: MIDI messages in, blocks of stereo sound out.

Every message takes effect at its frame inside the next block. Up to ``polyphony`` notes have a
voice at once; the allocator says which one gives way, and the ledger what became of each.

Units: frames, linear levels (1.0 is full scale). Shapes: a block is (block_frames, 2) float32.
Threads: one at a time; the caller orders messages and blocks. `Instrument.render` and
`Instrument.take` are on the audio path: no lock, log, file or clock, and nothing raised.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from config.library import shipped
from config.settings import Settings
from config.sound import Sound
from config.temperament import offsets
from voices.allocator import Allocator
from voices.bank import Bank
from voices.channel import Channel
from voices.guard import Guard
from voices.laws import decibels, key_frequency
from voices.ledger import Ledger
from voices.lost import Lost
from voices.mix import mix
from voices.motion import LEFT, RIGHT, Motion
from voices.segment import fade, note_on, release
from voices.spectrum import Spectrum
from voices.table_cache import TableCache
from voices.timbre import Timbre
from voices.voice import Voice

if TYPE_CHECKING:
    import mido

FADE_S = 0.004
"""The raised cosine on which a stolen note leaves (2 to 5 ms is click-free)."""
CHANNELS = 16
SYSTEM_RESET = 0xFF


class Instrument:
    """A polyphonic additive instrument.

    Parameters
    ----------
    settings
        What the owner has set.
    sample_rate
        Frames per second.
    block_frames
        The length of every block.
    sounds
        The sounds by name; None: those that come with partiald.
    mono
        For a card with one channel: pan is ignored, both sides are alike.

    Raises
    ------
    ValueError
        If the settings name a sound that is not among ``sounds``.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        sample_rate: int,
        block_frames: int,
        sounds: Mapping[str, Sound] | None = None,
        mono: bool = False,
    ) -> None:
        self.sample_rate = sample_rate
        self.block_frames = block_frames
        self.frame = 0
        """The frame at which the next block starts."""
        self.peaks = (0.0, 0.0)
        """The highest sample of the last block, left and right."""
        self.ledger = Ledger()
        self._mono = mono
        self._fade_frames = int(FADE_S * sample_rate)
        self._allocator: Allocator[Voice] = Allocator(settings.polyphony)
        self._channels: dict[tuple[int, int], Channel] = {}
        self._banks: dict[int, Bank] = {}
        self._lost = Lost()
        self._cache = TableCache(block_frames)
        self._guard = Guard(decibels(settings.level.ceiling_db), sample_rate)
        self._motion = Motion(sample_rate, settings.vibrato.rate_hz)
        self._spectrum = Spectrum()
        self._sounds: Mapping[str, Sound] = {}
        self._timbres: dict[str, Timbre] = {}
        self.apply(settings, shipped() if sounds is None else sounds)

    @property
    def sounding(self) -> int:
        """How many voices sound now, tails and fades included."""
        return sum(bank.count for bank in self._banks.values())

    @property
    def partials(self) -> int:
        """How many partials sound now."""
        return sum(bank.count * bank.partials for bank in self._banks.values())

    def apply(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Put other settings in force between two blocks; sounding notes go on."""
        if sounds is not None and sounds is not self._sounds:
            if settings.sound.name not in sounds:
                raise ValueError(f"no sound {settings.sound.name!r} among {sorted(sounds)}")
            self._sounds = sounds
            self._timbres = {}
        self.settings = settings
        tuned = offsets(settings.tuning.temperament)
        self._frequencies = [
            key_frequency(key, settings.tuning.a4_hz, tuned) / self.sample_rate
            for key in range(128)
        ]
        self._bound = sorted({each.partial for each in settings.bindings if each.partial})
        self._spectrum.bound = [partial - 1 for partial in self._bound]
        self._motion.vibrato_hz = settings.vibrato.rate_hz
        self._motion.bind(len(self._bound))
        self._guard.ceiling = decibels(settings.level.ceiling_db)
        for channel in self._channels.values():
            channel.goals = []
            self._aim(channel, self.frame)
        self._allocator.polyphony = settings.polyphony
        for voice in self._allocator.surplus():
            self._steal(voice, self.frame, "polyphony lowered")
        timbre = self._timbre("")
        self._bank(timbre)
        self._cache.prepare(timbre, enumerate(self._frequencies))

    # --- messages --------------------------------------------------------------------------

    def receive(self, message: "mido.Message", frame: int = 0, controller: int = 0) -> None:
        """Take a message that takes effect ``frame`` frames into the next block."""
        self.take(message.bytes(), frame, controller)

    def take(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        """Take a message as its bytes, status first; what is not understood is ignored."""
        status = message[0]
        if status == SYSTEM_RESET:
            self.release_controller(controller, frame)
        elif 0x80 <= status < 0xF0 and len(message) >= 2:
            handle = self._HANDLERS.get(status & 0xF0)
            if handle is not None:
                at = self.frame + frame
                handle(self, self._channel(controller, status & 0x0F), message, at)

    def release_controller(self, controller: int, frame: int = 0) -> None:
        """Release every note of a controller that is gone, and reset its controls."""
        at = self.frame + frame
        for voice in [v for v in self._allocator.values() if v.place[0] == controller]:
            self._book(voice, "cut", at, "controller unplugged")
            self._release(voice, at)
        self._lost.unplugged(controller, at)
        for channel in self._channels.values():
            if channel.controller == controller:
                channel.power_up()
                self._aim(channel, at)

    def _channel(self, controller: int, number: int) -> Channel:
        channel = self._channels.get((controller, number))
        if channel is None:
            first = self._motion.add(CHANNELS)
            for each in range(CHANNELS):
                made = Channel(first + each, controller, each)
                self._channels[controller, each] = made
                self._aim(made, self.frame)
                self._motion.jump(made.index)
            channel = self._channels[controller, number]
        return channel

    def _aim(self, channel: Channel, at: int) -> None:
        """Send the values of a channel to where its controls are."""
        goals = channel.aims(self.settings, self._bound, self._mono)
        old = channel.goals
        if goals != old:
            for column, goal in enumerate(goals):
                if not old or goal != old[column]:
                    self._motion.aim(channel.index, column, goal, at)
            channel.goals = goals
            if goals[LEFT] or goals[RIGHT]:
                for voice in self._allocator.values():
                    if voice.channel == channel.index:
                        voice.audible = True

    def _note_on(self, channel: Channel, message: Sequence[int], at: int) -> None:
        key, velocity = message[1], message[2]
        if velocity == 0:
            self._note_off(channel, message, at)
            return
        settings = self.settings.controller
        if settings.channels and channel.number + 1 not in settings.channels:
            self.ledger.refuse("channel not listened to")
            return
        timbre = self._timbre(channel.sound)
        frequency = self._frequencies[key]
        if frequency * self._motion.pitch(channel.index) * timbre.lowest >= 0.5:
            self.ledger.refuse("above half the sample rate")
            return
        velocity = settings.fixed_velocity or velocity
        note = self.ledger.strike(channel.controller, channel.number + 1, key, velocity, at)
        place = (channel.controller, channel.number, key)
        self._lost.end(place, at)
        again = self._allocator.pop(place, None)
        if again is not None:
            self._book(again, "retriggered", at, f"by note {note.serial}")
            self._fade(again, at)
        if len(self._allocator) >= self._allocator.polyphony:
            self._retire([each for each in self._allocator.values() if each.ends <= at], at)
        for voice in self._allocator.surplus(coming=1):
            self._steal(voice, at, f"by note {note.serial}")
        if not self._busy(channel, at):
            self._motion.jump(channel.index)
        attack = timbre.attack * 2.0**channel.attack_octaves
        segment = note_on(at, attack, timbre.sustain, timbre.decay_rate)
        voice = Voice(note, place, channel.index, timbre, frequency, segment)
        voice.audible = bool(channel.goals[LEFT] or channel.goals[RIGHT])
        self._allocator.strike(voice)
        self._bank(timbre).add(voice)

    def _note_off(self, channel: Channel, message: Sequence[int], at: int) -> None:
        place = (channel.controller, channel.number, message[1])
        voice = self._allocator.get(place)
        if voice is None:
            self._lost.key_up(place, at, pedal=channel.sustain)
        elif voice.key_down:
            voice.key_down = False
            if not channel.sustain:
                self._let_go(voice, at)

    def _control(self, channel: Channel, message: Sequence[int], at: int) -> None:
        number, value = message[1], message[2]
        held = channel.sustain
        match number:
            case 120:
                self._lost.keys_up(channel.controller, channel.number, at, pedal=False)
                for voice in self._voices_of(channel):
                    self._book(voice, "cut", at, "all sound off")
                    self._allocator.drop(voice)
                    self._fade(voice, at)
            case 121:
                channel.reset_controllers()
            case 123 | 124 | 125 | 126 | 127:
                place = channel.controller, channel.number
                self._lost.keys_up(*place, at, pedal=channel.sustain)
                for voice in self._voices_of(channel):
                    voice.key_down = False
                    if not channel.sustain:
                        self._let_go(voice, at)
            case _ if number < 120:
                channel.control(number, value, self.settings.bindings)
        if held and not channel.sustain:
            self._lost.pedal_up(channel.controller, channel.number, at)
            for voice in self._voices_of(channel):
                if not voice.key_down:
                    self._let_go(voice, at)
        self._aim(channel, at)

    def _program(self, channel: Channel, message: Sequence[int], at: int) -> None:
        programs = self.settings.sound.programs
        if message[1] < len(programs) and programs[message[1]] in self._sounds:
            channel.sound = programs[message[1]]

    def _bend(self, channel: Channel, message: Sequence[int], at: int) -> None:
        channel.bend = (message[2] << 7 | message[1]) - 8192
        self._aim(channel, at)

    _HANDLERS: Mapping[int, Callable[["Instrument", Channel, Sequence[int], int], None]] = {
        0x80: _note_off,
        0x90: _note_on,
        0xB0: _control,
        0xC0: _program,
        0xE0: _bend,
    }

    # --- voices ----------------------------------------------------------------------------

    def _timbre(self, name: str) -> Timbre:
        """Return a sound ready to play; the settings' own if it is unknown or not given."""
        if name not in self._sounds:
            name = self.settings.sound.name
        if name not in self._timbres:
            self._timbres[name] = Timbre(self._sounds[name], self.sample_rate)
        return self._timbres[name]

    def _bank(self, timbre: Timbre) -> Bank:
        bank = self._banks.get(timbre.partials)
        if bank is None:
            bank = Bank(
                *(timbre.partials, self.block_frames, self.settings.polyphony),
                *(self._motion, self._spectrum, self._cache),
            )
            self._banks[timbre.partials] = bank
        return bank

    def _voices_of(self, channel: Channel) -> list[Voice]:
        return [v for v in self._allocator.values() if v.channel == channel.index]

    def _busy(self, channel: Channel, at: int) -> bool:
        """Return whether anything of a channel still sounds at a frame."""
        return any(
            voice.channel == channel.index and voice.ends > at
            for bank in self._banks.values()
            for voice in bank.voices
        )

    def _let_go(self, voice: Voice, at: int) -> None:
        """Release a note that neither key nor pedal holds any more."""
        self._book(voice, "released", at)
        self._release(voice, at)

    def _release(self, voice: Voice, at: int) -> None:
        if voice.released:
            return
        voice.key_down, voice.released = False, True
        channel = self._channels[voice.place[:2]]
        rate = voice.timbre.release_rate / 2.0**channel.release_octaves
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
        self.ledger.settle(voice.note, account, at, detail)

    # --- sound -----------------------------------------------------------------------------

    def render(self, out: NDArray[np.float32]) -> None:
        """Overwrite ``out`` with the next block. Real-time safe."""
        frame, frames = self.frame, self.block_frames
        self.frame = frame + frames
        banks = [bank for bank in self._banks.values() if bank.count]
        if not banks:
            out.fill(0.0)
            self._motion.jump_all()
            self._guard.gain = 1.0
            self.peaks = (0.0, 0.0)
            return
        stretches = self._motion.stretches(frame, frames)
        for place, bank in enumerate(banks):
            wave, level = bank.render(frame, stretches)
            moving = stretches if self._motion.panning else None
            mix(wave, level, bank, moving, out, fresh=place == 0)
            self._retire(bank.ended(self.frame), self.frame)
        self.peaks = self._guard.limit(out)

    def _retire(self, ended: Iterable[Voice], at: int) -> None:
        """Take voices that are silent out of the polyphony."""
        for voice in ended:
            self._book(voice, "died away", at)
            self._allocator.drop(voice)
