"""The instrument: MIDI messages in, blocks of stereo sound out.

Every message takes effect at its frame inside the next block. Up to ``polyphony`` notes have a
voice at once; the allocator says which one gives way, and the ledger what became of each.

Units: frames, linear levels (1.0 is full scale). Shapes: a block is (block_frames, 2) float32.
Threads: one at a time; the caller orders messages and blocks. `Instrument.render` and
`Instrument.take` are on the audio path: no lock, log, file or clock, and nothing raised.
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from config.library import shipped
from config.settings import Settings
from config.sound import Sound
from voices.channels.channel import Channel
from voices.curves import decibels
from voices.modulation.smoother import Smoother
from voices.notes.note_count import Ledger
from voices.notes.notes import Notes
from voices.notes.voice_pool import VoicePool
from voices.output.limiter import Limiter
from voices.output.mixer import mix
from voices.receiver.receiver import Receiver
from voices.synthesis.partial_gains import PartialGains
from voices.synthesis.timbre import PADDING

if TYPE_CHECKING:
    import mido

EXPECTED_CONTROLLERS = 4
"""So many have their channels from the beginning; more get them with their first message."""


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
        self._motion = Smoother(sample_rate, settings.vibrato.rate_hz)
        self._spectrum = PartialGains()
        self._ensemble = VoicePool(
            self.ledger, self._motion, self._spectrum, sample_rate, block_frames
        )
        self._receiver = Receiver(
            Notes(self._ensemble), self._motion, sample_rate=sample_rate, mono=mono
        )
        self.replies = self._receiver.replies
        """Messages for the controllers that asked, whole: (controller, bytes), the oldest first.
        Whoever can send them takes them out."""
        self._guard = Limiter(decibels(settings.level.ceiling_db), sample_rate, block_frames)
        self._sides = np.zeros((2, block_frames), np.float32)
        self._sides_across = self._sides.T
        self.apply(settings, shipped() if sounds is None else sounds)
        self._ensemble.warm_up(self._receiver.tunings)
        for controller in range(EXPECTED_CONTROLLERS):
            self._receiver.expect(controller)

    @property
    def sounding(self) -> int:
        """How many voices sound now, tails and fades included."""
        return sum(bank.count for bank in self._ensemble.banks.values())

    @property
    def moving(self) -> bool:
        """Whether any control or note is on its way somewhere; then a block costs more."""
        return not self._motion.settled

    @property
    def partials(self) -> int:
        """How many partials are rendered now."""
        return sum(bank.count * bank.kept for bank in self._ensemble.banks.values())

    def channel(self, number: int, controller: int = 0) -> Channel:
        """Return the state of a channel, 0 to 15 as on the wire, worked out; for tests."""
        channel = self._receiver.channel(controller, number)
        self._receiver.refresh(channel, self.frame)
        return channel

    def apply(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Put other settings in force between two blocks; sounding notes go on.

        ``sounds`` None: those there were.

        Raises
        ------
        ValueError
            If the settings name a sound that does not exist; then nothing has changed.
        """
        sounds = self._ensemble.sounds if sounds is None else sounds
        if settings.sound.name not in sounds:
            raise ValueError(f"no sound {settings.sound.name!r} among {sorted(sounds)}")
        self.settings = settings
        self._ensemble.apply(settings, sounds, self.frame)
        self._receiver.apply(settings, self.frame)
        self._spectrum.bound = self._receiver.bound
        self._guard.ceiling = decibels(settings.level.ceiling_db)

    def receive(self, message: "mido.Message", frame: int = 0, controller: int = 0) -> None:
        """Take a message that takes effect ``frame`` frames into the next block."""
        self.take(message.bytes(), frame, controller)

    def take(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        """Take a message as its bytes, status first. Real-time safe."""
        self._receiver.take(message, controller, self.frame + frame)

    def release_controller(self, controller: int, frame: int = 0) -> None:
        """Release every note of a controller that is gone, and reset its controls."""
        self._receiver.unplugged(controller, self.frame + frame)

    def render(self, out: NDArray[np.float32]) -> None:
        """Overwrite ``out`` with the next block. Real-time safe."""
        frame, frames = self.frame, self.block_frames
        self.frame = frame + frames
        if self._receiver.sensing.watched:
            self._receiver.listen(frame)
        if self._ensemble.lanes.gliding:
            self._ensemble.lanes.glide(self.frame)
        banks = [bank for bank in self._ensemble.banks.values() if bank.count]
        if not banks:
            out.fill(0.0)
            self._motion.jump_all()
            self._guard.gain = 1.0
            self.peaks = (0.0, 0.0)
            return
        passage = self._motion.passage(frame, frames)
        for place, bank in enumerate(banks):
            wave, level = bank.render(frame, passage)
            moving = passage if self._motion.panning else None
            mix(wave, level, bank, moving, self._sides, fresh=place == 0)
            self._ensemble.retire(bank.ended(self.frame), self.frame)
        self.peaks = self._guard.limit(self._sides)
        out[...] = self._sides_across

    def spare(self, partials: int | None) -> int:
        """Render at most about so many partials from the next block on; None: all.

        The quietest of every voice are left out first, down to a few each; no note ends.
        Nothing else leaves any out. Return how many are rendered now.
        """
        count = max(1, self.sounding)
        for bank in self._ensemble.banks.values():
            most = bank.partials if partials is None else partials // count // PADDING * PADDING
            bank.kept = min(bank.partials, max(PADDING, most))
        return self.partials

    def end_tails(self) -> int:
        """Fade every note whose key and pedal are up; return how many."""
        return self._ensemble.end_tails(self.frame)
