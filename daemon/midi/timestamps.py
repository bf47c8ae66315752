"""The time of a MIDI message, from the driver's intervals and the moment of the callback.

Units: microseconds of the monotonic clock; the driver's intervals in seconds.
Threads: each port's callback has a `Timestamper` of its own.

A callback is never early, only late, and the driver stamped the message when it came in. So the
better time is the driver's, mapped onto the monotonic clock along the lower envelope of the delays
seen. It is never later than the callback.
"""

# Two clocks of one machine differ by no more (common practice, no source).
_SKEW = 200e-6
# A larger error means that intervals were lost: a message was dropped, or the clock was set.
_LOST_US = 50_000.0


class Timestamper:
    """Turns one port's intervals into times."""

    def __init__(self) -> None:
        self._driver_us = 0.0
        self._offset_us: float | None = None

    def time_us(self, now_us: int, interval_s: float) -> int:
        """Return the time of a message.

        Parameters
        ----------
        now_us
            The moment of the callback.
        interval_s
            The driver's time since the message before.
        """
        interval_us = interval_s * 1e6
        self._driver_us += interval_us
        offset_us = now_us - self._driver_us
        if self._offset_us is None:
            self._offset_us = offset_us
        envelope_us = self._offset_us + interval_us * _SKEW
        lost = not 0.0 <= offset_us - envelope_us < _LOST_US
        self._offset_us = offset_us if lost else envelope_us
        return int(self._driver_us + self._offset_us)
