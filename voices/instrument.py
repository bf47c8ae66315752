"""The instrument: MIDI messages in, blocks of stereo sound out.

Every message takes effect at its frame inside the next block. Up to ``polyphony`` notes have a
voice at once; the allocator chooses which one gives way, the ledger records what became of each.

Units: frames, linear levels (1.0 is full scale). Shapes: a block is (block_frames, 2) float32.
Threads: one at a time; the caller puts messages and blocks in order. `Instrument.render` and
`Instrument.take` are on the audio path: no lock, log, file or clock, and nothing is raised.
"""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from config.library import shipped
from config.settings import Settings
from config.sound import Sound
from voices.channels.channel import Channel
from voices.curves import db_to_gain
from voices.modulation.ramps import Ramps
from voices.modulation.smoother import LEFT, Smoother
from voices.notes.note_count import Ledger
from voices.notes.notes import Notes
from voices.notes.voice_pool import VoicePool
from voices.output.limiter import Limiter
from voices.output.mixer import mix
from voices.output.room import Room
from voices.output.tremulant import Tremulant
from voices.receiver.part import Part
from voices.receiver.receiver import Receiver
from voices.synthesis.bank import Bank
from voices.synthesis.partial_gains import PartialGains
from voices.timbres.timbre import PADDING, padded

if TYPE_CHECKING:
    import mido

EXPECTED_CONTROLLERS = 4
"""So many have their channels from the start; others get them with their first message."""


class Instrument:
    """A polyphonic additive instrument.

    Parameters
    ----------
    settings
        The owner's settings.
    sample_rate
        Frames per second.
    block_frames
        Length of every block.
    sounds
        The sounds by name; None: the shipped ones.
    mono
        For a card with one channel: pan is ignored, both sides are equal.
    own_sound_only
        For a quick start: until settings are applied again, the sound in force stands for those
        that program changes choose.

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
        own_sound_only: bool = False,
    ) -> None:
        self.sample_rate = sample_rate
        self.block_frames = block_frames
        self.frame = 0
        """The frame at which the next block starts."""
        self.peaks = (0.0, 0.0)
        """The highest sample of the last block, left and right."""
        self.ledger = Ledger()
        self._smoother = Smoother(sample_rate, settings.vibrato.rate_hz)
        self._partial_gains = PartialGains()
        self._pool = VoicePool(
            *(self.ledger, self._smoother, self._partial_gains, sample_rate, block_frames),
            mono=mono,
            own_sound_only=own_sound_only,
        )
        notes = Notes(self._pool)
        self._part = Part(notes, self._smoother, sample_rate=sample_rate, mono=mono)
        self._receiver = Receiver(self._part, sample_rate)
        self.replies = self._part.replies
        """Messages for the controllers that asked, whole: (controller, bytes), the oldest first.
        Whoever can send them takes them out."""
        self.gestures = self._receiver.gestures.done
        """Commands that keys have given, the oldest first. Whoever tells of them takes them out."""
        self._limiter = Limiter(db_to_gain(settings.level.ceiling_db), sample_rate, block_frames)
        self._mixed = np.zeros((3, block_frames), np.float32)
        """Left, right, and what is sent to the room."""
        self._stereo = self._mixed[:2]
        self._interleaved = self._stereo.T
        self._room = Room(settings.room, sample_rate, block_frames)
        self._tremulant = Tremulant(settings.tremulant, sample_rate, block_frames)
        self.apply(settings, shipped() if sounds is None else sounds)
        for controller in range(EXPECTED_CONTROLLERS):
            self._part.add_controller(controller)

    @property
    def sounding(self) -> int:
        """How many voices sound, tails and fades included."""
        return self._pool.sounding

    @property
    def moving(self) -> bool:
        """Whether any control or pitch moves; then a block costs more."""
        return not self._smoother.at_rest

    @property
    def partials(self) -> int:
        """How many partials are rendered per frame."""
        return sum(bank.count * bank.active_partials for bank in self._pool.banks.values())

    def channel(self, number: int, controller: int = 0) -> Channel:
        """Return the up-to-date state of a channel, 0 to 15 as on the wire; for tests."""
        channel = self._part.routing(controller).channels[number]
        self._part.refresh(channel, self.frame)
        return channel

    def prepare(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Make ready what `apply` will need for these settings, in any thread; it may take long.

        Raises
        ------
        ValueError
            If the settings name a sound that does not exist.
        """
        self._pool.prepare(settings, self._known(settings, sounds))

    def _known(self, settings: Settings, sounds: Mapping[str, Sound] | None) -> Mapping[str, Sound]:
        """Return the sounds, those in force if none are given, that settings choose from."""
        sounds = self._pool.sounds if sounds is None else sounds
        if settings.sound.name not in sounds:
            raise ValueError(f"no sound {settings.sound.name!r} among {sorted(sounds)}")
        return sounds

    def apply(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Apply other settings between two blocks; sounding notes go on.

        ``sounds`` None: the same as before.

        Raises
        ------
        ValueError
            If the settings name a sound that does not exist; then nothing has changed.
        """
        sounds = self._known(settings, sounds)
        self.settings = settings
        self._pool.apply(settings, sounds, self.frame)
        self._receiver.apply(settings)
        self._part.apply(settings, self.frame)
        self._partial_gains.level_columns = self._part.level_columns
        self._limiter.ceiling = db_to_gain(settings.level.ceiling_db)
        self._room.use(settings.room)
        self._tremulant.use(settings.tremulant, self.frame)

    def receive(self, message: "mido.Message", frame: int = 0, controller: int = 0) -> None:
        """Take a message that takes effect at ``frame`` of the next block; see `take`."""
        self.take(message.bytes(), frame, controller)

    def take(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        """Take the bytes of one whole message, status first. Real-time safe.

        Messages come in the order of their frames, 0 to ``block_frames - 1``. A frame outside of
        them counts as the nearest inside; what is not a whole message is ignored.
        """
        if message:
            self._receiver.dispatch(message, controller, self._inside(frame))

    def tell(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        """Take a message with which a fresh controller tells where its knobs are; see `take`.

        Bound knobs have not been moved by it. Everything else is taken as ever. Real-time safe.
        """
        self._part.telling = True
        self.take(message, frame, controller)
        self._part.telling = False

    def release_controller(self, controller: int, frame: int = 0) -> None:
        """Release every note of an unplugged controller, and reset its controls."""
        self._receiver.reset(controller, self._inside(frame), "controller unplugged")

    def panic(self, frame: int = 0) -> None:
        """End every note at once, without a click, and lift every pedal. Real-time safe."""
        self._part.panic(self._inside(frame))

    def _inside(self, frame: int) -> int:
        """Return the absolute frame of a frame of the next block."""
        last = self.block_frames - 1
        return self.frame + (0 if frame < 0 else last if frame > last else frame)

    def render(self, out: NDArray[np.float32]) -> None:
        """Overwrite ``out`` with the next block. Real-time safe."""
        frame, frames = self.frame, self.block_frames
        self.frame = frame + frames
        self._receiver.release_silent(self.frame)
        if self._pool.modulation.gliding:
            self._pool.modulation.glide(self.frame)
        if self._pool.anew.waiting:
            self._pool.anew.change(self._pool, frame)
        banks = [bank for bank in self._pool.banks.values() if bank.count]
        sends = self._room.level > 0.0 and self._pool.sending > 0
        if banks:
            ramps = self._mix(banks, frame, self._mixed if sends else self._stereo)
            if sends and self._part.shared.room_is_turned:
                self._send(ramps)
        else:
            self._smoother.snap_all()
            if self._room.quiet and not self._tremulant.active:
                out.fill(0.0)
                self._limiter.gain = 1.0
                self.peaks = (0.0, 0.0)
                return
            self._mixed.fill(0.0)
        moves = self._part.shared.tremulant_moves
        while moves:
            at, depth, fast = moves.popleft()
            self._tremulant.aim(depth, at, fast=fast)
        if self._tremulant.active:
            self._tremulant.apply(self._stereo, frame)
        if sends or not self._room.quiet:
            if not sends:
                self._mixed[2].fill(0.0)
            self._room.add(self._mixed[2], self._stereo)
        self.peaks = self._limiter.limit(self._stereo)
        out[...] = self._interleaved

    def _send(self, ramps: Ramps | None) -> None:
        """Send to the room what a knob lets through."""
        row, sent = self._part.shared.room_row, self._mixed[2]
        if ramps is None:
            sent *= np.float32(self._smoother.values[row, LEFT])
            return
        ends = ramps.at_sub_block_ends(ramps.begin[:, row, LEFT], ramps.end[:, row, LEFT])
        share = np.arange(ramps.sub_block_frames) / ramps.sub_block_frames
        parts = sent.reshape(-1, ramps.sub_block_frames)
        parts *= ends[0][:, None] + (ends[1] - ends[0])[:, None] * share

    def _mix(self, banks: list[Bank], frame: int, mixed: NDArray[np.float32]) -> Ramps | None:
        """Mix every bank; return the ramps of the block."""
        ramps = self._smoother.advance(frame, self.block_frames)
        gain_ramps = ramps if self._smoother.gains_moving else None
        for bank in banks:
            bank.render(frame, ramps)
            mix(bank, gain_ramps, mixed, first=bank is banks[0])
        flat = mixed.reshape(-1)
        if not isfinite(flat.dot(flat)):
            self._repair(banks, gain_ramps, mixed)
        for bank in banks:
            ended = bank.take_ended(self.frame)
            if ended:
                self._pool.end(ended, self.frame)
        return ramps

    def _repair(
        self, banks: list[Bank], gain_ramps: Ramps | None, mixed: NDArray[np.float32]
    ) -> None:
        """Mix a block again without the voices that have made it something else than numbers."""
        for bank in banks:
            broken = bank.silence_broken()
            self._pool.drop_broken(broken, self.frame)
            bank.end(broken)
            mix(bank, gain_ramps, mixed, first=bank is banks[0])
        np.nan_to_num(mixed, copy=False, posinf=0.0, neginf=0.0)

    def limit_partials(self, partials: int | None) -> int:
        """Render at most about ``partials`` partials from the next block on; None: all.

        Noises end, and none begins until there is no limit; shadows are left out next, then the
        quietest of every voice, down to a few each and one of every rank; no note ends. Nothing
        else leaves any out. Return how many are rendered now.
        """
        banks = self._pool.banks.values()
        self._pool.without_noises = partials is not None
        count = max(1, sum(bank.count - bank.noises for bank in banks))
        for bank in banks:
            if partials is not None:
                bank.shed_noises(self.frame, self._pool.fade_frames)
            most = bank.partials if partials is None else partials // count // PADDING * PADDING
            bank.active_partials = min(bank.partials, max(PADDING, padded(bank.least), most))
        return self.partials

    def end_tails(self) -> int:
        """Fade every note whose key and pedal are up; return how many."""
        return self._pool.end_tails(self.frame)
