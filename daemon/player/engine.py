"""The player's core: messages out of the ring, onto their frames, through the instrument.

Units: microseconds of the monotonic clock, frames since the stream began.
Shapes: a block is ``(block_frames, 2)`` float32, contiguous; left, right.
Threads: `Engine.block` belongs to the audio callback, or to a loop in virtual time; `submit` and
`finish` may be called from one other thread. The callback is the only one to touch the instrument.

Every message sounds one block and `GUARD_US` after its time: a constant delay. `Engine.block` is
real-time safe: it takes no lock, writes no log, opens no file, and no exception leaves it.
"""

import math
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from config.settings import Settings
from config.sound import Sound
from daemon.ipc.counters import ERROR_BYTES, Ledger, Meters, SharedCounters, Timing
from daemon.ipc.message_ring import GONE, MessageRing
from daemon.player.frame_clock import FrameClock
from daemon.player.governor import Governor, Sparing
from voices.instrument import Instrument
from voices.notes.note_count import Note

GUARD_US = 500.0
"""Room for a callback that enters late: with it under 2 % of messages miss their frame (measured
on a busy two-core machine; without it 3 to 11 %)."""
MESSAGES_PER_BLOCK = 256
"""More than any wire brings in a block; in a flood the rest waits, so that no block is held up."""
RISE_S = 0.5
_FADE_S = 0.02
_FULL_SCALE = 1.0001


class BookingLedger(Ledger, Protocol):
    """A note count that also books notes the instrument never saw."""

    tell: Callable[[Note], None]

    def refuse(self, account: str, count: int = 1) -> None:
        """Book note-ons that never became a note of the instrument."""


class Played(Meters, Sparing, Protocol):
    """What the player needs of an instrument."""

    @property
    def ledger(self) -> BookingLedger:
        """The note count."""

    @property
    def replies(self) -> deque[tuple[int, bytes]]:
        """Messages for the controllers that asked."""

    def take(self, message: Sequence[int], frame: int = 0, controller: int = 0) -> None:
        """Take one message for a frame of the next block."""

    def release_controller(self, controller: int, frame: int = 0) -> None:
        """Let go of everything an unplugged controller held."""

    def apply(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Change the settings between blocks."""

    def render(self, out: NDArray[np.float32]) -> None:
        """Overwrite ``out`` with the next block."""


class Engine:
    """An instrument fed from a ring, told on a board.

    Parameters
    ----------
    settings, sounds, mono
        As for `voices.instrument.Instrument`.
    ring, board
        The shared memory's two halves.
    sample_rate, block_frames
        As the stream was opened.
    instrument
        Another instrument than the one the settings describe; for tests.
    clock_ns
        The clock that the rendering time is measured by.
    governed
        Whether partials are left out when blocks take too long; not in virtual time.
    tell
        Called with what becomes of each note, as `voices.notes.note_count.Ledger.tell`.
    """

    def __init__(
        self,
        settings: Settings,
        *,
        ring: MessageRing,
        board: SharedCounters,
        sample_rate: int,
        block_frames: int,
        sounds: Mapping[str, Sound] | None = None,
        mono: bool = False,
        instrument: Played | None = None,
        clock_ns: Callable[[], int] = time.perf_counter_ns,
        governed: bool = False,
        rise: bool = False,
        tell: Callable[[Note], None] | None = None,
    ) -> None:
        self.instrument: Played = instrument or Instrument(
            settings,
            sample_rate=sample_rate,
            block_frames=block_frames,
            sounds=sounds,
            mono=mono,
        )
        if tell is not None:
            self.instrument.ledger.tell = tell
        self.timing = Timing(sample_rate, block_frames)
        self._governor: Governor | None = None
        if governed:
            self._governor = Governor(self.instrument, sample_rate, block_frames)
        self.faults_in_a_row = 0
        """Blocks silenced without a good one between; the player gives up on many."""
        self.silent = False
        """Whether the fade asked for by `finish` is over."""
        self._ring = ring
        self._board = board
        self._clock = FrameClock(sample_rate)
        self._clock_ns = clock_ns
        self._block_frames = block_frames
        self._delay = block_frames + GUARD_US * 1e-6 * sample_rate
        self._frame = 0
        self._began_us = 0
        self._held: tuple[int, int, bytes] | None = None
        self._submitted: deque[tuple[Settings, Mapping[str, Sound] | None]] = deque(maxlen=1)
        fade_blocks = math.ceil(_FADE_S * sample_rate / block_frames)
        turn = np.linspace(0.0, math.pi, fade_blocks * block_frames, dtype=np.float32)
        self._fade = (0.5 + 0.5 * np.cos(turn))[:, np.newaxis]
        self._fade_at = 0
        self._finishing = False
        rise_blocks = math.ceil(RISE_S * sample_rate / block_frames) if rise else 0
        turn = np.linspace(0.0, math.pi / 2, rise_blocks * block_frames, dtype=np.float32)
        self._rise = (np.sin(turn) ** 2)[:, np.newaxis]
        self._rise_at = 0
        self._cues: deque[NDArray[np.float32]] = deque(maxlen=1)
        self._cue_at = 0
        self._exclusives: deque[tuple[int, bytes]] = deque(maxlen=MESSAGES_PER_BLOCK)

    def block(self, out: NDArray[np.float32], now_us: int, underflow: bool = False) -> None:
        """Overwrite ``out`` with the block that is asked for now. Real-time safe.

        Parameters
        ----------
        out
            Shape ``(block_frames, 2)``.
        now_us
            The moment of the call, on the monotonic clock.
        underflow
            Whether the card ran dry since the call before.
        """
        started = self._clock_ns()
        timing = self.timing
        if underflow:
            timing.underflows += 1
            self._clock.reset()
        try:
            self._play(out, now_us)
            self.faults_in_a_row = 0
        except Exception as error:  # noqa: BLE001 - an exception would end the stream
            out.fill(0.0)
            timing.faults += 1
            self.faults_in_a_row += 1
            timing.error = f"{type(error).__name__}: {error}".encode()[:ERROR_BYTES]
        if self._rise_at < len(self._rise):
            self._grow(out)
        if self._cues:
            self._sound_cue(out)
        if self._finishing:
            self._fade_out(out)
        self._frame += self._block_frames
        timing.blocks += 1
        timing.sounding_peak = max(timing.sounding_peak, self.instrument.sounding)
        timing.render_us = (self._clock_ns() - started) // 1000
        timing.max_us = max(timing.max_us, timing.render_us)
        if self._governor is not None:
            self._govern(self._governor)
        self._board.publish(self.instrument, timing)

    def _govern(self, governor: Governor) -> None:
        timing = self.timing
        governor.observe(timing.render_us)
        timing.most_partials = governor.limit or 0
        timing.spare_steps = governor.steps
        timing.spare_percent = round(100 * governor.worst)

    def submit(self, settings: Settings, sounds: Mapping[str, Sound] | None = None) -> None:
        """Have settings applied at the start of the next block; the latest ones win."""
        self._submitted.append((settings, sounds))

    def exclusive(self, controller: int, message: bytes) -> None:
        """Have a message that is too long for the ring taken at the start of the next block."""
        self._exclusives.append((controller, message))

    def replies(self) -> list[tuple[int, bytes]]:
        """Return what the instrument has answered since: controller and message."""
        waiting = self.instrument.replies
        return [waiting.popleft() for _ in range(len(waiting))]

    def cue(self, samples: NDArray[np.float32]) -> None:
        """Have a cue's samples, ``(frames,)``, added to what comes; the latest one wins."""
        self._cue_at = 0
        self._cues.append(samples)

    def finish(self) -> None:
        """Have the sound faded out; `silent` tells when it is."""
        self._finishing = True

    def _play(self, out: NDArray[np.float32], now_us: int) -> None:
        instrument = self.instrument
        if self.timing.blocks == 0:
            self._began_us = now_us
        if self._submitted:
            instrument.apply(*self._submitted.popleft())
        while self._exclusives:
            controller, message = self._exclusives.popleft()
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
        """Hand over what is due in this block; the first message that is not waits."""
        latest = 0
        for _ in range(MESSAGES_PER_BLOCK):
            record = self._held or self._ring.get()
            if record is None:
                return
            time_us, controller, message = record
            place = int(self._clock.frame_at(time_us) + self._delay) - self._frame
            if place >= self._block_frames:
                self._held = record
                return
            self._held = None
            # Two ports' messages may have entered the ring a little out of order.
            latest = max(latest, place)
            if message == GONE:
                self.instrument.release_controller(controller, latest)
                continue
            # What waited for the player to come up did not come late.
            if place < 0 and time_us >= self._began_us:
                self.timing.late_events += 1
            self.instrument.take(message, latest, controller)

    def _grow(self, out: NDArray[np.float32]) -> None:
        out *= self._rise[self._rise_at : self._rise_at + len(out)]
        self._rise_at += len(out)

    def _sound_cue(self, out: NDArray[np.float32]) -> None:
        part = self._cues[0][self._cue_at : self._cue_at + len(out)]
        out[: len(part)] += part[:, np.newaxis]
        self._cue_at += len(out)
        if len(part) < len(out):
            self._cues.clear()

    def _fade_out(self, out: NDArray[np.float32]) -> None:
        until = self._fade_at + len(out)
        if until > len(self._fade):
            out.fill(0.0)
            self.silent = True
            return
        out *= self._fade[self._fade_at : until]
        self._fade_at = until
