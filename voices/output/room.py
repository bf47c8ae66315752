"""A room: early reflections and a decaying tail, as a network of sixteen delays.

Every block the delays are read once, their losses, the mixing matrix, the early reflections and
both outputs are one matrix product, and the delays are written once. It is exact as long as a
block is shorter than the shortest delay; longer blocks are cut.

The delays are mixed by a Hadamard matrix, which loses nothing; each loses what makes the level
fall by 60 dB in the reverberation time, and a little more where its three-tap filter takes the
treble. So the reverberation time is the same from the bass to 4 kHz and falls above.

Units: frames, seconds, linear gains. Shapes: a block is (T,) in and (2, T) out, float32.
Threads: the instrument's; `Room.add` is on the audio path. Source: J. O. Smith, Physical Audio
Signal Processing, "Feedback Delay Networks" (orthogonal feedback, delay lengths, losses).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from config import space
from voices.curves import db_to_gain

LINES = 16
TAPS = 12
LONGEST_PIECE = 256
SILENT = 1e-6
"""A block of no more energy than one sample at this level (-120 dB) is not heard ..."""
TAIL = 2.2
"""... nor is what was sent so many reverberation times ago."""
TREBLE_HZ = 8000.0
TREBLE_SHARE = 0.78
"""The reverberation time at `TREBLE_HZ`, as a part of that below."""


class Place(NamedTuple):
    """What one room differs from another in."""

    delays_ms: tuple[float, float]
    """The shortest and the longest way of the sound from wall to wall."""
    early_ms: tuple[float, float]
    """The first and the last early reflection."""
    t60_s: float
    """The reverberation time that it has unless the settings say otherwise."""


PLACES = {
    "parlour": Place((9.7, 47.3), (3.1, 23.0), 0.6),
    "market hall": Place((14.6, 71.0), (5.3, 41.0), 1.5),
    "church": Place((14.3, 71.0), (7.0, 66.0), 3.2),
}
"""Our choice of three; the delays are those of ways of 3 to 24 m between walls."""


def _hadamard(order: int) -> NDArray[np.float64]:
    """Return an orthogonal matrix of entries of one size; ``order`` is a power of two."""
    matrix = np.ones((1, 1))
    while len(matrix) < order:
        matrix = np.block([[matrix, matrix], [matrix, -matrix]])
    return np.asarray(matrix / np.sqrt(order))


def _prime_from(number: int) -> int:
    while any(number % divisor == 0 for divisor in range(2, int(number**0.5) + 1)):
        number += 1
    return number


class Room:
    """One room at one sample rate; silent until something is added.

    Parameters
    ----------
    chosen
        Which room, how loud, for how long.
    sample_rate
        Frames per second.
    frames
        The length of every block.
    """

    def __init__(self, chosen: space.Room, sample_rate: int, frames: int) -> None:
        self.level = 0.0
        """How loud it is; 0: off."""
        self._rate, self._frames = sample_rate, frames
        self._chosen = chosen
        self._build(PLACES[chosen.place])
        self._tune()

    def use(self, chosen: space.Room) -> None:
        """Be as the settings say; what sounds in it goes on unless it is another room."""
        before, self._chosen = self._chosen, chosen
        if chosen.place != before.place:
            self._build(PLACES[chosen.place])
        if chosen != before:
            self._tune()

    def _build(self, place: Place) -> None:
        """Place the walls."""
        sample_rate, frames = self._rate, self._frames
        self._place = place
        first, last = (ms * sample_rate / 1000 for ms in self._place.delays_ms)
        spread = first * (last / first) ** (np.arange(LINES) / (LINES - 1))
        self._delays = np.array([_prime_from(int(delay)) for delay in spread])
        early_first, early_last = (ms * sample_rate / 1000 for ms in self._place.early_ms)
        # Uneven steps: even ones would sound as a pitch.
        steps = (np.arange(TAPS) + 0.31 * np.sin(2.4 * np.arange(TAPS))) / (TAPS - 1)
        self._taps = np.rint(early_first + (early_last - early_first) * np.clip(steps, 0, 1))
        self._piece = min(frames, LONGEST_PIECE, 1 << int(self._delays.min() - 2).bit_length() - 1)
        history = int(max(self._delays.max(), self._taps.max())) + 2
        self._turns = 32
        self._memory = np.zeros((LINES + 1, history + self._turns * self._piece), np.float32)
        self._history = history
        self._at = history
        self._starts = self._first_reads()
        width = self._piece + 2
        self._windows = np.lib.stride_tricks.sliding_window_view(self._memory.reshape(-1), width)
        self._matrix = np.zeros((LINES + 2, 2 * LINES + TAPS), np.float32)
        self._terms = np.zeros((2 * LINES + TAPS, width), np.float32)
        """What the lines give, the early reflections, and for each line the sum of what it gives a
        frame before and after; the first column and the last are there only for these sums."""
        given, around = self._terms[:LINES].reshape(-1), self._terms[-LINES:].reshape(-1)
        self._sums = given[:-2], given[2:], around[1:-1]
        self._result = np.zeros((LINES + 2, width), np.float32)
        self._heard = 0.0
        """For so many frames more there is something left in it."""

    def _first_reads(self) -> NDArray[np.intp]:
        """Return from where on in the memory lines and early reflections are read at first."""
        lines = np.concatenate([np.arange(LINES), np.full(TAPS, LINES)])
        late = np.concatenate([self._delays, self._taps.astype(np.intp)])
        return np.asarray(lines * self._memory.shape[1] + self._history - late - 1)

    def _tune(self) -> None:
        """Work out the matrix for the level (at 0 dB it has the power of what is sent) and time."""
        chosen = self._chosen
        t60_s = chosen.t60_s or self._place.t60_s
        level = self.level = db_to_gain(chosen.level_db) if chosen.level_db > space.OFF_DB else 0.0
        if not level:
            self.clear()
        seconds = self._delays / self._rate
        loss = 10.0 ** (-3.0 * seconds / t60_s)
        treble = 10.0 ** (-3.0 * seconds * (1 / TREBLE_SHARE - 1) / t60_s)
        curve = 2.0 * (1.0 - np.cos(min(np.pi, 2 * np.pi * TREBLE_HZ / self._rate)))
        side = np.minimum((1.0 - treble) / curve, 0.25)
        mixing = _hadamard(LINES)
        early = 0.72 ** np.arange(TAPS)
        early /= np.sqrt((early**2).sum())
        signs = _hadamard(LINES)[:, 1 : TAPS + 1] * np.sqrt(LINES)
        matrix = np.zeros((LINES + 2, 2 * LINES + TAPS))
        through = np.vstack([mixing, mixing[5:7] * np.sqrt(LINES)])
        matrix[:, :LINES] = through * (loss * (1.0 - 2.0 * side))
        matrix[:, -LINES:] = through * (loss * side)
        matrix[:LINES, LINES:-LINES] = signs * early / np.sqrt(LINES)
        # The power of the tail of a steady sound: what goes round is less by each line's loss.
        gone = 1.0 - (loss**2).mean()
        power = (loss**2).mean() / gone * 2.0
        first = np.where(np.arange(TAPS) % 2 == 0, [[1.0], [0.45]], [[0.45], [1.0]])
        first = first * early * np.where(np.arange(TAPS) % 3 == 2, -1.0, 1.0)
        strength = np.sqrt(0.25 * power / (first**2).sum())
        matrix[LINES:, LINES:-LINES] = first * strength
        matrix[LINES:] *= level / np.sqrt(0.9 * power)
        self._matrix = matrix.astype(np.float32)
        self._tail = TAIL * t60_s * self._rate

    def clear(self) -> None:
        """Make it silent at once."""
        self._memory[:] = 0.0
        self._heard = 0.0

    @property
    def quiet(self) -> bool:
        """Whether nothing sounds in it."""
        return self._heard <= 0.0

    def add(self, sent: NDArray[np.float32], sides: NDArray[np.float32]) -> None:
        """Add what the room makes of a block sent into it, (T,), to both sides, (2, T).

        Real-time safe.
        """
        if float(sent.dot(sent)) > SILENT**2:
            self._heard = self._tail
        elif self._heard <= 0.0:
            return
        for start in range(0, len(sent), self._piece):
            sides[:, start : start + self._piece] += self._next(sent[start : start + self._piece])
        self._heard -= len(sent)
        if self._heard <= 0.0:
            self.clear()

    def _next(self, sent: NDArray[np.float32]) -> NDArray[np.float32]:
        memory, at, piece = self._memory, self._at, self._piece
        memory[LINES, at : at + piece] = sent
        self._terms[:-LINES] = self._windows[at - self._history :][self._starts]
        before, after, sums = self._sums
        np.add(before, after, out=sums)
        np.dot(self._matrix, self._terms, out=self._result)
        memory[:LINES, at : at + piece] = self._result[:LINES, 1:-1]
        self._at = at + piece
        if self._at + piece > memory.shape[1]:
            memory[:, : self._history] = memory[:, self._at - self._history : self._at]
            self._at = self._history
        return self._result[LINES:, 1:-1]
