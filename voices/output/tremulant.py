"""A tremulant on the whole mix: level, pitch and brightness swing together.

How it swings says `voices.output.swing`; the pitch swings because the sound is read along a delay
that swings (`voices.output.moving_delay`). Cells lie on a grid of absolute frames, so what is heard
does not depend on the block size; those of a turn are kept, for a settled swing repeats itself.

Shapes: a block is (2, T) float32. Threads: the instrument's; `Tremulant.apply` and `aim` are on the
audio path.
"""

from collections import deque

import numpy as np
from numpy.typing import NDArray

from config import space
from voices.output.moving_delay import NODES, TAPS, taps
from voices.output.swing import CELL_POINTS, GRID, LONGEST_S, OFF, STILL, Side, Swing, kind_of
from voices.phases.interpolation import lagrange

FADE_S = 0.010
"""How long it fades between the mix as it is and the mix that swings."""
SPARE = 1024
"""So many frames are kept beyond the longest delay, so that they seldom have to be moved."""
KEPT_POINTS = 1024
"""A turn of so many points is kept whole: down to 0.74 Hz at 48 kHz."""
Sides = tuple[Side, Side]
_ALONG = np.arange(GRID) / GRID


class Tremulant:
    """One tremulant for the mix of one instrument; off until it is turned on."""

    def __init__(self, chosen: space.Tremulant, sample_rate: int, frames: int) -> None:
        self._rate = sample_rate
        self._fade = GRID / sample_rate / FADE_S
        self._history = int(LONGEST_S * sample_rate) + TAPS + GRID
        self._memory = np.zeros((2, self._history + max(frames, SPARE)), np.float32)
        """What was played, the latest before ``_at``."""
        self._at = self._history
        windows = np.lib.stride_tricks.sliding_window_view(self._memory, TAPS, axis=1)
        self._windows = windows.transpose(2, 0, 1)
        self._lines = np.repeat(lagrange(GRID, NODES)[:, None].astype(np.float32), 2, axis=1)
        self._ones = np.ones(NODES, np.float32)
        self._mix = self._mix_before = 0.0
        """How much of it is heard at the end of a cell of the grid, and at its beginning."""
        self._from = 0
        """Before this frame nothing is: what it reads must have been played."""
        self._aims: deque[tuple[int, float, bool]] = deque()
        self._kept = np.zeros((KEPT_POINTS, 2, NODES, TAPS), np.float32)
        """The taps of a settled turn, by point ..."""
        self._kept_cells: list[tuple[list[int], Sides] | None] = [None] * KEPT_POINTS
        """... and whole delays, and the sides at the end; None: not known."""
        self._wholes, self._taps = [0], self._kept[0, :1]
        """Of this cell."""
        self._before = STILL, STILL
        """The sides at the point before this cell."""
        self._chosen = chosen
        self._swing = Swing(kind_of(chosen, sample_rate))
        self.aim(chosen.depth, 0)

    def use(self, chosen: space.Tremulant, frame: int) -> None:
        """Be as the settings say from a frame on; its depth stays unless they changed it."""
        before, self._chosen = self._chosen, chosen
        if chosen != before:
            self._swing.kind = kind_of(chosen, self._rate)
            self._swing.settled_for = 0
        if chosen.depth != before.depth:
            self.aim(chosen.depth, frame)

    @property
    def active(self) -> bool:
        """Whether the mix passes through it."""
        return self._heard_now or self._swing.wanted > OFF or bool(self._aims)

    @property
    def _heard_now(self) -> bool:
        return self._mix > 0.0 or self._mix_before > 0.0

    def aim(self, depth: float, frame: int, *, fast: bool = True) -> None:
        """Turn it on, up to depth 1, or off, depth 0, from a frame on; ``fast``: the rotor."""
        if not self.active:
            if depth <= OFF:
                return
            self._memory.fill(0.0)
        self._aims.append((frame, depth, fast))

    def apply(self, sides: NDArray[np.float32], frame: int) -> None:
        """Make a block that starts at an absolute frame swing, in place. Real-time safe."""
        memory, at, frames = self._memory, self._at, sides.shape[1]
        memory[:, at : at + frames] = sides
        start = 0
        while start < frames:
            inside = (frame + start) % GRID
            if inside == 0:
                self._begin_cell(frame + start)
            end = min(frames, start + GRID - inside)
            if self._heard_now:
                self._read(sides, start, end, inside)
            start = end
        self._at = at + frames
        if self._at + frames > memory.shape[1]:
            memory[:, : self._history] = memory[:, self._at - self._history : self._at]
            self._at = self._history

    def _begin_cell(self, frame: int) -> None:
        """Go on to the cell that begins at a frame."""
        swing = self._swing
        while self._aims and self._aims[0][0] <= frame:
            _, swing.wanted, fast = self._aims.popleft()
            swing.wanted_fast = float(fast)
            if self._mix == 0.0:  # it starts again
                self._from = frame + self._history
                swing.restart()
        self._mix_before = self._mix
        if frame >= self._from:
            up = swing.depth > 0.0 or swing.wanted > OFF
            self._mix = min(1.0, max(0.0, self._mix + (self._fade if up else -self._fade)))
        place, before, begin = swing.next_place, self._before, swing.sides
        self._before = begin
        if swing.settled_for == CELL_POINTS:
            self._kept_cells = [None] * KEPT_POINTS
        if not 0 <= place < KEPT_POINTS:
            swing.go_on()
            self._wholes, self._taps = _cell(before, begin, swing.sides)
        elif kept := self._kept_cells[place]:
            self._wholes, end = kept
            self._taps = self._kept[place, : len(self._wholes)]
            swing.repeat(end)
        else:
            swing.go_on()
            self._wholes, self._taps = _cell(before, begin, swing.sides)
            self._kept[place, : len(self._wholes)] = self._taps
            self._kept_cells[place] = self._wholes, swing.sides

    def _read(self, sides: NDArray[np.float32], start: int, end: int, inside: int) -> None:
        """Swing a part of a block that lies in one cell of the grid."""
        count, first = end - start, self._at + start - TAPS + 1
        fades = self._mix_before < 1.0 or self._mix < 1.0
        at_once = count == sides.shape[1] and sides.flags.c_contiguous and not fades
        swung = sides if at_once else np.empty((2, count), np.float32)
        lines = self._lines if count == GRID else self._lines[..., inside : inside + count]
        if len(self._wholes) == 1:
            begin = first - self._wholes[0]
            window = self._windows[..., begin : begin + count].reshape(TAPS, -1)
            read = self._taps[0].dot(window)
            read *= lines.reshape(NODES, -1)
            self._ones.dot(read, swung.reshape(-1))
        else:
            for side, whole in enumerate(self._wholes):
                begin = first - whole
                read = self._taps[side].dot(self._windows[:, side, begin : begin + count])
                read *= lines[:, 0]
                self._ones.dot(read, swung[side])
        if at_once:
            return
        part = sides[:, start:end]
        if fades:
            along = _ALONG[inside : inside + count]
            mix = self._mix_before + along * (self._mix - self._mix_before)
            swung -= part
            swung *= (0.5 - 0.5 * np.cos(np.pi * mix)).astype(np.float32)
            swung += part
        part[...] = swung


def _cell(before: Sides, begin: Sides, end: Sides) -> tuple[list[int], NDArray[np.float32]]:
    """Return whole delays and taps of a cell, of both sides if they are alike."""
    told = before, begin, end
    alike = all(left == right for left, right in told)
    return taps(*(each[: 1 if alike else 2] for each in told))
