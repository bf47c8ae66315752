"""The frame at which the card was, or will be, at a moment of the monotonic clock.

Units: microseconds of the monotonic clock, frames since the stream began.
Threads: the audio callback's alone. `FrameClock.tick` and `FrameClock.frame_at` are real-time
safe: some float arithmetic, no growing memory.

A callback is never early, only late: its entry time less the time of its frame is the true offset
plus a delay. The estimate follows the lower edge of these offsets: it falls at once, and rises
slowly, so that one late callback moves nothing and a card whose crystal is slow is still followed.
"""

# Crystals are good to 100 ppm (common practice, no source); a rise twice as fast follows any.
_SKEW = 200e-6
# The first callbacks fill the card's buffer and look early; what `_JUMP_US` leaves of it goes so.
_SETTLING_SKEW = 1e-3
_SETTLING_US = 2_000_000.0
# A real loss of frames moves every offset that follows; a late callback only its own.
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
        """Forget the estimate: the next tick begins a new one, as after an underflow."""
        self._anchored_us = None

    def tick(self, now_us: float, frame: int) -> float:
        """Take the moment at which the block that begins with `frame` was asked for.

        Return by how much it was late, in microseconds.
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
        self._follow_a_loss(now_us, offset_us)
        return max(offset_us - self._offset_us, 0.0)

    def frame_at(self, time_us: float) -> float:
        """Return the frame due at a time; it means nothing before the first tick."""
        return (time_us - self._offset_us) / self._frame_us

    def _follow_a_loss(self, now_us: float, offset_us: float) -> None:
        """Jump up when no offset of a whole window came near the estimate."""
        self._window_low_us = min(self._window_low_us, offset_us)
        if now_us - self._window_from_us < _WINDOW_US:
            return
        if self._window_low_us - self._offset_us > _JUMP_US:
            self._offset_us = self._window_low_us
        self._window_from_us, self._window_low_us = now_us, offset_us
