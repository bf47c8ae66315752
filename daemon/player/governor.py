"""The governor: it limits what is rendered, so that every block is ready in time.

Units: shares of a block's time, blocks, partials.
Threads: the audio callback's. Real-time safe.

It observes how much of its time each block took. When that comes too close to all of it, fewer
partials are rendered, the quietest of each voice first; when that no longer helps, the tails of
released notes are ended. No held note ever is. Once there is time to spare, partials come back
slowly.
"""

from typing import Protocol

HIGH_SHARE = 0.70
"""Two blocks in a row that take more than this share of their time are too long."""
TARGET_SHARE = 0.55
"""The share that a step aims at."""
LOW_SHARE = 0.40
"""Below this there is time to spare."""
PATIENCE_S = 1.0
"""How long there must be time to spare before partials come back."""
SET_BACK = 0.03
"""How much of that one longer block costs: a board has other work as well."""
RESTORE_FACTOR = 1.25
SETTLING_BLOCKS = 4
"""Blocks after a step that do not count."""


class LimitedInstrument(Protocol):
    """What the governor needs of an instrument."""

    @property
    def partials(self) -> int:
        """Partials rendered now."""

    def limit_partials(self, partials: int | None) -> int:
        """Render at most about so many; None: all. Return how many it is."""

    def end_tails(self) -> int:
        """Fade released notes; return how many."""


class Governor:
    """The limit of one instrument, from the time its blocks take."""

    def __init__(self, instrument: LimitedInstrument, sample_rate: int, block_frames: int) -> None:
        self.limit: int | None = None
        """Partials at most; None: no limit."""
        self.steps = 0
        """How often it has reduced what is rendered."""
        self.tails_ended = 0
        self.worst_share = 0.0
        """The share of their time that the blocks before the latest step took."""
        self._instrument = instrument
        self._block_us = block_frames / sample_rate * 1e6
        self._patience_blocks = int(PATIENCE_S * sample_rate / block_frames)
        self._set_back_blocks = max(1, int(self._patience_blocks * SET_BACK))
        self._settling = 0
        self._long_share = 0.0
        self._low_blocks = 0

    def observe(self, render_us: float) -> None:
        """Observe how long a block took, and limit the next one."""
        share = render_us / self._block_us
        if self._settling:
            self._settling -= 1
        elif share > HIGH_SHARE:
            self._low_blocks = 0
            # One long block is the machine's, two in a row are the load.
            if self._long_share:
                self._reduce(min(share, self._long_share))
            else:
                self._long_share = share
        else:
            self._long_share = 0.0
            if self.limit is not None:
                spare = share < LOW_SHARE
                self._low_blocks += 1 if spare else -min(self._set_back_blocks, self._low_blocks)
                if self._low_blocks > self._patience_blocks:
                    self._restore()
        if self.limit is not None:
            self._instrument.limit_partials(self.limit)

    def _reduce(self, share: float) -> None:
        before = self._instrument.partials
        self.limit = max(1, int(before * TARGET_SHARE / share))
        after = self._instrument.limit_partials(self.limit)
        self._settling, self._long_share = SETTLING_BLOCKS, 0.0
        if after >= before:
            tails = self._instrument.end_tails()
            self.tails_ended += tails
            if not tails:
                # Nothing is left to end: no step, and the limit is what sounds.
                self.limit = max(self.limit, after)
                return
        self.steps += 1
        self.worst_share = share

    def _restore(self) -> None:
        assert self.limit is not None
        before = self._instrument.partials
        unlimited = self._instrument.limit_partials(None)
        limit = int(max(self.limit, before) * RESTORE_FACTOR)
        self.limit = None if limit >= unlimited else limit
        self._low_blocks = 0
