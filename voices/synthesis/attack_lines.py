"""Attack lines: how fresh notes rise, worked out frame by frame before they are played.

A note that starts from silence follows the same line as every other with its attack, decay and
sustain level. Each line begins a block before the onset, at 0, and goes on for a block after the
attack, so that any block of a rising note is a piece of it.

Units: frames, linear levels, nepers per frame. Once made, nothing changes.
"""

import numpy as np
from numpy.typing import NDArray

from voices.synthesis.envelope_segment import Course, Segment, evaluate
from voices.synthesis.timbre import Timbre

LONGEST = 24_000
"""A longer attack has no line."""
MOST_FRAMES = 1 << 20
"""So many of all lines together, 4 MiB; attacks that come after that have none."""


class AttackLines:
    """The lines of some timbres, for blocks of one length."""

    def __init__(self, timbres: tuple[Timbre, ...], frames: int) -> None:
        self.timbres = timbres
        self.onsets: dict[Course, int] = {}
        """Which of ``pieces`` begins with the onset of a line."""
        lines, end = [np.zeros(frames, np.float32)], frames
        for each in timbres:
            course = attack, _, _ = each.course
            length = int(attack) + 3 * frames
            if course in self.onsets or attack > LONGEST or end + length > MOST_FRAMES:
                continue
            segment = np.array([Segment(0, 0.0, 1.0, *course)])
            times = np.arange(length, dtype=np.float32)
            lines.append(evaluate(segment, -frames, times, rising=True, decaying=True)[0])
            self.onsets[course] = end + frames
            end += length
        self.pieces: NDArray[np.float32]
        """Every piece of a block's length, of all lines: a view."""
        self.pieces = np.lib.stride_tricks.sliding_window_view(np.concatenate(lines), frames)
