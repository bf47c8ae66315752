"""Attack lines: how fresh notes rise, worked out frame by frame before they are played.

A note that starts from silence follows the same line as every other with its attack, decay and
sustain level. Each line begins a block before the onset, at 0, and goes on for a block after the
attack, so that any block of a rising note is a piece of it.

Units: frames, linear levels, nepers per frame. Threads: `keep` may be called beside the audio path.
"""

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from voices.synthesis.envelope_segment import Segment, evaluate
from voices.synthesis.timbre import Timbre

LONGEST = 24_000
"""A longer attack has no line."""
MOST_FRAMES = 1 << 20
"""So many of all lines together, 4 MiB; attacks that come after that have none."""

Course = tuple[float, float, float]
"""Attack, sustain level and decay rate."""


class AttackLines:
    """The lines of the sounds in force, for blocks of one length."""

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self.onsets: dict[Course, int] = {}
        """Which of ``pieces`` begins with the onset of a line."""
        self.pieces: NDArray[np.float32] = np.zeros((1, frames), np.float32)
        """Every piece of a block's length, of all lines: a view."""

    def keep(self, timbres: Iterable[Timbre]) -> None:
        """Have the lines of these timbres ready, and no others."""
        onsets, lines, end = {}, [np.zeros(self._frames, np.float32)], self._frames
        for each in timbres:
            course = each.attack, each.sustain, each.decay_rate
            length = int(each.attack) + 3 * self._frames
            if course in onsets or each.attack > LONGEST or end + length > MOST_FRAMES:
                continue
            segment = np.array([Segment(0.0, 0.0, 1.0, *course)])
            times = np.arange(length, dtype=np.float32)
            start = -self._frames
            lines.append(evaluate(segment, start, times, rising=True, decaying=True)[0])
            onsets[course] = end + self._frames
            end += length
        pieces = np.lib.stride_tricks.sliding_window_view(np.concatenate(lines), self._frames)
        self.pieces, self.onsets = pieces, onsets
