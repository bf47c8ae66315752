"""The frame clock: which frame the card plays at a moment of the monotonic clock.

Units: microseconds of the monotonic clock, frames since the stream began.
Threads: the audio callback's alone. `FrameClock.tick` and `FrameClock.frame_at` are real-time
safe: float arithmetic, no growing memory.

A callback is never early, only late: its entry time less the time of its frame is the true offset
plus a delay. The estimate follows the lower envelope of these offsets: it falls at once and rises
slowly, so that one late callback moves nothing, and a card whose crystal is slow is still followed.
"""

# Crystals are good to 100 ppm (common practice, no source); a rise twice as fast follows any.
_SKEW = 200e-6
# The first callbacks fill the card's buffer and come early; this removes what `_JUMP_US` leaves.
_SETTLING_SKEW = 1e-3
_SETTLING_US = 2_000_000.0
# A loss of frames moves every offset that follows; a late callback only its own.
_WINDOW_US = 100_000.0
_JUMP_US = 1_000.0


class FrameClock:
    """Maps times to frames by a lower-envelope estimate.

    Parameters
    ----------
    sample_rate
        Nominal frames per second.
    """

    def __init__(self, sample_rate: int) -> None:
        self._frame_us = 1e6 / sample_rate
        self._offset_us = 0.0
        self._anchored_us: float | None = None
        self._latest_us = 0.0
        self._window_from_us = 0.0
        self._window_low_us = 0.0

    def reset(self) -> None:
        """Discard the estimate: the next tick begins a new one, as after an underflow."""
        self._anchored_us = None

    def tick(self, now_us: float, frame: int) -> float:
        """Record when the block that begins with `frame` was asked for.

        Return by how much that was late, in microseconds.
        """
        offset_us = now_us - frame * self._frame_us
        if self._anchored_us is None:
            self._anchored_us = self._latest_us = self._window_from_us = now_us
            self._offset_us = self._window_low_us = offset_us
            return 0.0
        elapsed_us = max(now_us - self._latest_us, 0.0)
        self._latest_us = now_us
        skew = _SETTLING_SKEW if now_us - self._anchored_us < _SETTLING_US else _SKEW
        self._offset_us = min(offset_us, self._offset_us + elapsed_us * skew)
        self._follow_lost_frames(now_us, offset_us)
        return max(offset_us - self._offset_us, 0.0)

    def frame_at(self, time_us: float) -> float:
        """Return the frame due at a time; only after the first tick."""
        return (time_us - self._offset_us) / self._frame_us

    def _follow_lost_frames(self, now_us: float, offset_us: float) -> None:
        """Jump up when no offset of a whole window came near the estimate."""
        self._window_low_us = min(self._window_low_us, offset_us)
        if now_us - self._window_from_us < _WINDOW_US:
            return
        if self._window_low_us - self._offset_us > _JUMP_US:
            self._offset_us = self._window_low_us
        self._window_from_us, self._window_low_us = now_us, offset_us
