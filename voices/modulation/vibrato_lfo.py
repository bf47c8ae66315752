"""The vibrato oscillators: the rate and phase of every row's vibrato.

Units: hertz, cycles, frames. Shapes: ``N`` rows, those of `voices.modulation.smoother`.
"""

from collections import deque

LONGEST_BLOCK = 1024
"""Frames; a multiple of it starts a block whatever the block length."""


class VibratoLfo:
    """One low-frequency oscillator per row of `Smoother`."""

    def __init__(self, sample_rate: int, rate_hz: float) -> None:
        self.turning: list[tuple[float, float, int]] = []
        """Each row's cycles per frame, and the phase it had at which frame."""
        self._initial = rate_hz / sample_rate, 0.0, 0
        self._sample_rate = sample_rate
        self._pending: deque[tuple[int, int, float]] = deque()
        """Changes to come: frame, row, cycles per frame."""

    def add_rows(self, count: int) -> None:
        """Add rows that start at phase 0."""
        self.turning += [self._initial] * count

    def copy_row(self, source: int, target: int) -> None:
        """Make one row run exactly as another does, with the changes still to come."""
        self.turning[target] = self.turning[source]
        for frame, row, pace in list(self._pending):
            if row == source:
                self._pending.append((frame, target, pace))

    def clear_row(self, row: int) -> None:
        """Forget a row's changes still to come."""
        if self._pending:
            self._pending = deque(change for change in self._pending if change[1] != row)

    def set_rate(self, row: int, rate_hz: float, frame: int) -> None:
        """Change a rate at the next multiple of `LONGEST_BLOCK`.

        There a block starts whatever the block length, so all of them sound the same.
        """
        due = -(-frame // LONGEST_BLOCK) * LONGEST_BLOCK
        self._pending.append((due, row, rate_hz / self._sample_rate))

    def advance(self, frame: int) -> None:
        """Apply the changes that are due by ``frame``."""
        if not self._pending:
            return
        later = deque[tuple[int, int, float]]()
        for change in self._pending:
            due, row, pace = change
            if due > frame:
                later.append(change)
                continue
            before, phase, since = self.turning[row]
            self.turning[row] = pace, (phase + before * (due - since)) % 1.0, due
        self._pending = later
