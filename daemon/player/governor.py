"""The governor: what may be rendered, so that every block is ready in time.

It watches how much of its time each block took. When that gets too close to all of it, fewer
partials are rendered, the quietest of each voice first; when that does not help any more, the
tails of released notes are ended. No held note ever is. Once there is time to spare, partials
come back slowly.

Units: shares of a block's time, blocks, partials.
Threads: the audio callback's. Real-time safe.
"""

from typing import Protocol

HIGH = 0.70
"""A block that takes more than this share of its time is too long when the next one does too."""
AIM = 0.55
"""The share a step aims at."""
LOW = 0.40
"""Below this there is time to spare."""
PATIENCE_S = 1.0
"""How long there has to be before some partials come back."""
SET_BACK = 0.03
"""How much of that a stray longer block costs: a board has other things to do, too."""
GIVE_BACK = 1.25
SETTLING = 4
"""Blocks after a step that do not count."""


class Sparing(Protocol):
    """What the governor needs of an instrument."""

    @property
    def partials(self) -> int:
        """Partials rendered now."""

    def limit_partials(self, partials: int | None) -> int:
        """Render at most about so many; None: all. Return how many it is."""

    def end_tails(self) -> int:
        """Fade released notes; return how many."""


class Governor:
    """One instrument's load, and the limit it gets."""

    def __init__(self, instrument: Sparing, sample_rate: int, block_frames: int) -> None:
        self.limit: int | None = None
        """Partials at most; None: no limit."""
        self.steps = 0
        """How often it has taken something away."""
        self.tails_ended = 0
        self.worst = 0.0
        """The share of their time that the blocks before the latest step took."""
        self._instrument = instrument
        self._block_us = block_frames / sample_rate * 1e6
        self._patience = int(PATIENCE_S * sample_rate / block_frames)
        self._set_back = max(1, int(self._patience * SET_BACK))
        self._settling = 0
        self._before = 0.0
        self._low = 0

    def observe(self, render_us: float) -> None:
        """Take note of how long a block took, and set what the next one may."""
        share = render_us / self._block_us
        if self._settling:
            self._settling -= 1
        elif share > HIGH:
            self._low = 0
            # One long block tells of the machine, two in a row of the load.
            if self._before:
                self._take_away(min(share, self._before))
            else:
                self._before = share
        else:
            self._before = 0.0
            if self.limit is not None:
                self._low += 1 if share < LOW else -min(self._set_back, self._low)
                if self._low > self._patience:
                    self._give_back()
        if self.limit is not None:
            self._instrument.limit_partials(self.limit)

    def _take_away(self, share: float) -> None:
        before = self._instrument.partials
        self.limit = max(1, int(before * AIM / share))
        after = self._instrument.limit_partials(self.limit)
        if after >= before:
            tails = self._instrument.end_tails()
            self.tails_ended += tails
            self._settling, self._before = SETTLING, 0.0
            if not tails:
                # Nothing is left to take: no step, and the limit is what sounds.
                self.limit = max(self.limit, after)
                return
        self.steps += 1
        self.worst = share
        self._settling, self._before = SETTLING, 0.0

    def _give_back(self) -> None:
        assert self.limit is not None
        before = self._instrument.partials
        all_of_them = self._instrument.limit_partials(None)
        limit = int(max(self.limit, before) * GIVE_BACK)
        self.limit = None if limit >= all_of_them else limit
        self._low = 0
