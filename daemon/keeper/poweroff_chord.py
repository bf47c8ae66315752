"""The chord that switches the board off, held for five seconds.

Units: MIDI keys; microseconds of the monotonic clock (``_us``).
Threads: the main loop's alone.
"""

from collections.abc import Collection

HOLD_US = 5_000_000


class PowerOffChord:
    """Exactly these keys, and no others, held together long enough."""

    def __init__(self) -> None:
        self.keys: frozenset[int] = frozenset()
        """Empty: no chord does anything."""
        self._since_us: int | None = None
        self._done = False

    def held(self, down: Collection[int], now_us: int) -> bool:
        """Return True once, when the chord has been held long enough.

        Parameters
        ----------
        down
            The keys of one player that are down now.
        """
        if not self.keys or frozenset(down) != self.keys:
            self._since_us, self._done = None, False
            return False
        if self._since_us is None:
            self._since_us = now_us
        if self._done or now_us - self._since_us < HOLD_US:
            return False
        self._done = True
        return True
