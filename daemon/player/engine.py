"""The player's engine: messages from the ring, placed on their frames, through the instrument.

Units: microseconds of the monotonic clock, frames since the stream began.
Shapes: a block is ``(block_frames, 2)`` float32, contiguous; left, right.
Threads: `Engine.render_block` belongs to the audio callback, or to a loop in virtual time; the rest
may be called from one other thread. Only the callback touches the instrument.

Every message sounds one block and `GUARD_US` after its time: a constant delay.
`Engine.render_block` is real-time safe: it takes no lock, writes no log, opens no file, and raises
nothing.
"""

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from daemon.ipc.counters import ERROR_BYTES, Ledger, Meters, SharedCounters, Timing
from daemon.ipc.message_ring import GONE, PANIC, TOLD, MessageRing
from daemon.ipc.messages import Gesture, Reply
from daemon.player.cue_tones import CueTones
from daemon.player.fade import Fade
from daemon.player.frame_clock import FrameClock
from daemon.player.governor import Governor, LimitedInstrument
from voices.instrument import Instrument
from voices.notes.note_count import Note
from voices.receiver.gestures import Done

GUARD_US = 500.0
"""Allowance for a late callback: with it under 2 % of messages miss their frame (measured on a busy
two-core machine; without it 3 to 11 %)."""
MESSAGES_PER_BLOCK = 256
"""More than any wire brings in a block; in a flood the rest waits, so that no block is held up."""
FRAMES_A_NOTE = 8
"""A block takes a note-on for every so many of its frames; of a larger chord the keys struck last
sound a block later (1.3 ms with 64 frames), for the block in which a note begins costs most."""
FADE_IN_S = 0.5
_FADE_OUT_S = 0.02
_FULL_SCALE = 1.0001


class BookingLedger(Ledger, Protocol):
    """A note count that also books notes the instrument never received."""

    notify: Callable[[Note], None]

    def refuse(self, account: str, count: int = 1) -> None:
        """Book note-ons that never became a note of the instrument."""


class PlayedInstrument(Meters, LimitedInstrument, Protocol):
    """What the engine needs of an instrument."""

    @property
    def ledger(self) -> BookingLedger:
        """The note count."""

    @property
    def replies(self) -> deque[tuple[int, bytes]]:
        """Replies to controllers: controller and message."""

    @property
    def gestures(self) -> deque[Done]:
        """Keys that were taken as commands."""

    def take(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        """Take one message for a frame of the next block."""

    def tell(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        """Take one message with which a controller tells where it stands."""

    def release_controller(self, controller: int, frame: int = 0) -> None:
        """Release everything that an unplugged controller held."""

    def panic(self, frame: int = 0) -> None:
        """End every note."""

    def prepare(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Make ready what is about to be applied, beside the blocks."""

    def apply(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Change the settings between blocks."""

    def render(self, out: NDArray[np.float32]) -> None:
        """Overwrite ``out`` with the next block."""


class Engine:
    """An instrument fed from a ring, its counters in shared memory.

    Parameters
    ----------
    settings, sounds, mono, own_sound_only
        As for `voices.instrument.Instrument`.
    ring, counters
        The parts of the shared memory.
    sample_rate, block_frames
        Those of the stream.
    instrument
        Used instead of the one that the settings describe; for tests.
    clock_ns
        The clock that measures the rendering time.
    governed
        Whether partials are left out when blocks take too long; not in virtual time.
    fade_in
        Whether the sound grows out of silence.
    on_note
        Called with the outcome of each note, as `voices.notes.note_count.Ledger.notify`.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        ring: MessageRing,
        counters: SharedCounters,
        sample_rate: int,
        block_frames: int,
        sounds: Mapping[str, Sound] | None = None,
        mono: bool = False,
        own_sound_only: bool = False,
        instrument: PlayedInstrument | None = None,
        clock_ns: Callable[[], int] = time.perf_counter_ns,
        governed: bool = False,
        fade_in: bool = False,
        on_note: Callable[[Note], None] | None = None,
    ) -> None:
        self.instrument: PlayedInstrument = instrument or Instrument(
            settings,
            sample_rate=sample_rate,
            block_frames=block_frames,
            sounds=sounds,
            mono=mono,
            own_sound_only=own_sound_only,
        )
        if on_note is not None:
            self.instrument.ledger.notify = on_note
        self.timing = Timing(sample_rate, block_frames)
        self.consecutive_faults = 0
        """Blocks silenced without a good one between; the player gives up on many."""
        self._governor: Governor | None = None
        if governed:
            self._governor = Governor(self.instrument, sample_rate, block_frames)
        self._ring = ring
        self._counters = counters
        self._clock = FrameClock(sample_rate)
        self._clock_ns = clock_ns
        self._block_frames = block_frames
        self._delay = block_frames + GUARD_US * 1e-6 * sample_rate
        self._frame = 0
        self._began_us = 0
        self._early_record: tuple[int, int, bytes] | None = None
        self._most_notes = block_frames // FRAMES_A_NOTE
        self._put_off = False
        """Whether the block before left the rest of a chord to this one."""
        self._submitted: deque[tuple[Settings, Mapping[str, Sound] | None]] = deque(maxlen=1)
        self._sysex: deque[tuple[int, bytes]] = deque(maxlen=MESSAGES_PER_BLOCK)
        self._cue_tones = CueTones()
        self._fade_in = Fade.rising(FADE_IN_S * fade_in, sample_rate, block_frames)
        self._fade_out = Fade.falling(_FADE_OUT_S, sample_rate, block_frames)
        self._fading_out = False

    @property
    def is_silent(self) -> bool:
        """Whether the fade that `fade_out` began is over."""
        return self._fade_out.is_over

    def render_block(self, out: NDArray[np.float32], now_us: int, underflow: bool = False) -> None:
        """Overwrite ``out`` with the block that is due now. Real-time safe.

        Parameters
        ----------
        out
            Shape ``(block_frames, 2)``.
        now_us
            The moment of the call, on the monotonic clock.
        underflow
            Whether the card ran dry since the last call.
        """
        started = self._clock_ns()
        timing = self.timing
        if underflow:
            timing.underflows += 1
            self._clock.reset()
        try:
            self._render(out, now_us)
            self.consecutive_faults = 0
        except Exception as error:  # noqa: BLE001 - an exception would end the stream
            out.fill(0.0)
            timing.faults += 1
            self.consecutive_faults += 1
            timing.error = f"{type(error).__name__}: {error}".encode()[:ERROR_BYTES]
        if not self._fade_in.is_over:
            self._fade_in.apply(out)
        self._cue_tones.add_to(out)
        if self._fading_out:
            self._fade_out.apply(out)
        self._frame += self._block_frames
        timing.blocks += 1
        timing.sounding_peak = max(timing.sounding_peak, self.instrument.sounding)
        timing.render_us = (self._clock_ns() - started) // 1000
        timing.max_us = max(timing.max_us, timing.render_us)
        if self._governor is not None:
            self._govern(self._governor)
        self._counters.publish(self.instrument, timing)

    def submit(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Have settings applied at the start of the next block; the latest win."""
        self.instrument.prepare(settings, sounds)
        self._submitted.append((settings, sounds))

    def submit_sysex(self, controller: int, message: bytes) -> None:
        """Have a message that is too long for the ring taken at the start of the next block."""
        self._sysex.append((controller, message))

    def play_cue(self, samples: NDArray[np.float32]) -> None:
        """Have a cue's samples, ``(frames,)``, added to the output; the latest cue wins."""
        self._cue_tones.play(samples)

    def fetch_told(self) -> list[Reply | Gesture]:
        """Return what the instrument has to tell since the last call."""
        replies, gestures = self.instrument.replies, self.instrument.gestures
        told: list[Reply | Gesture] = [Reply(*replies.popleft()) for _ in range(len(replies))]
        for done in [gestures.popleft() for _ in range(len(gestures))]:
            shift, off = (done.octave, done.transposed), list(done.zones_off)
            moves = list(done.moves)
            told.append(Gesture(done.controller, done.words, *shift, off, *done.program, moves))
        return told

    def fade_out(self) -> None:
        """Fade the sound out; then `is_silent` is true."""
        self._fading_out = True

    def _render(self, out: NDArray[np.float32], now_us: int) -> None:
        instrument = self.instrument
        if self.timing.blocks == 0:
            self._began_us = now_us
        if self._submitted:
            instrument.apply(*self._submitted.popleft())
        while self._sysex:
            controller, message = self._sysex.popleft()
            instrument.take(message, 0, controller)
        self.timing.entry_us = int(self._clock.tick(now_us, self._frame))
        lost = self._ring.take_lost_notes()
        if lost:
            instrument.ledger.refuse("queue overflow", lost)
        self._place_messages()
        instrument.render(out)
        left, right = instrument.peaks
        # Written so that not-a-number counts as out of range; float32 may round a ceiling up.
        if not (left <= _FULL_SCALE and right <= _FULL_SCALE):
            raise ValueError(f"the block left full scale: peaks {left:.3g}, {right:.3g}")

    def _place_messages(self) -> None:
        """Hand over what is due in this block; the first message that is not yet due waits."""
        latest, notes = 0, 0
        earliest, self._put_off = -self._block_frames if self._put_off else 0, False
        for _ in range(MESSAGES_PER_BLOCK):
            record = self._early_record or self._ring.get()
            if record is None:
                return
            time_us, controller, message = record
            frame = int(self._clock.frame_at(time_us) + self._delay) - self._frame
            if frame >= self._block_frames:
                self._early_record = record
                return
            strikes = len(message) > 2 and message[0] & 0xF0 == 0x90 and message[2] > 0
            if strikes and frame >= 0 and notes >= self._most_notes:
                self._early_record, self._put_off = record, True
                return
            notes += strikes
            self._early_record = None
            # Two ports' messages may have entered the ring a little out of order.
            latest = max(latest, frame)
            if message == GONE:
                self.instrument.release_controller(controller, latest)
                continue
            if message == PANIC:
                self.instrument.panic(latest)
                continue
            # What waited for the player to start is not late.
            if frame < earliest and time_us >= self._began_us:
                self.timing.late_events += 1
            hand = self.instrument.tell if controller & TOLD else self.instrument.take
            hand(message, latest, controller & ~TOLD)

    def _govern(self, governor: Governor) -> None:
        timing = self.timing
        governor.observe(timing.render_us)
        timing.most_partials = governor.limit or 0
        timing.spare_steps = governor.steps
        timing.spare_percent = round(100 * governor.worst_share)
