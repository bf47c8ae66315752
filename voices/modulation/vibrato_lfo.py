"""The vibrato oscillators: the rate and phase of every row's vibrato.

Units: hertz, cycles, frames. Shapes: ``N`` rows, those of `voices.modulation.smoother`.
"""

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

LONGEST_BLOCK = 1024
"""Frames; a multiple of it starts a block whatever the block length."""


class VibratoLfo:
    """One low-frequency oscillator per row of `Smoother`."""

    def __init__(self, sample_rate: int, rate_hz: float) -> None:
        self.state = np.zeros((3, 0))
        """Each row's rate, and the phase it had at which frame: (3, N)."""
        self._initial_rate_hz = rate_hz
        self._sample_rate = sample_rate
        self._pending: deque[tuple[int, int, float]] = deque()
        """Changes of rate to come: frame, row, rate."""

    def add_rows(self, count: int) -> None:
        """Add rows that start at phase 0."""
        added = np.zeros((3, count))
        added[0] = self._initial_rate_hz
        self.state = np.concatenate([self.state, added], axis=1)

    def copy_row(self, source: int, target: int) -> None:
        """Make one row run exactly as another does, with the changes still to come."""
        self.state[:, target] = self.state[:, source]
        for frame, row, rate_hz in list(self._pending):
            if row == source:
                self._pending.append((frame, target, rate_hz))

    def clear_row(self, row: int) -> None:
        """Forget a row's changes still to come."""
        if self._pending:
            self._pending = deque(change for change in self._pending if change[1] != row)

    def set_rate(self, row: int, rate_hz: float, frame: int) -> None:
        """Change a rate at the next multiple of `LONGEST_BLOCK`.

        There a block starts whatever the block length, so all of them sound the same.
        """
        self._pending.append((-(-frame // LONGEST_BLOCK) * LONGEST_BLOCK, row, rate_hz))

    def advance(self, frame: int) -> bool:
        """Apply the changes that are due by ``frame``; return whether there were any."""
        if not self._pending:
            return False
        later = deque[tuple[int, int, float]]()
        before = len(self._pending)
        for change in self._pending:
            due, row, rate_hz = change
            if due > frame:
                later.append(change)
                continue
            old_rate_hz, phase, since = self.state[:, row]
            phase += old_rate_hz * (due - since) / self._sample_rate
            self.state[:, row] = rate_hz, phase % 1.0, due
        self._pending = later
        return len(later) < before

    def phases(self, frame: NDArray[Any]) -> NDArray[np.float64]:
        """Return every row's phase at frames, in cycles from 0 to 1."""
        rate_hz, phase, since = self.state
        return np.asarray((phase + rate_hz * (frame - since) / self._sample_rate) % 1.0)
