"""A group of voices that share a warped time, and the tables from row to row it is drawn by.

Tables have partials decay along the warped time, but they do so in time as it is heard. So they are
made louder by as much as the one is ahead of the other: exactly in the middle of each row, to first
order inside it, and as if the time ran evenly over a control period, at both ends of which it is
right. A semitone up the error is at most -136 dB of a partial with a T60 of half a second, and
-87 dB with one of 30 ms, the shortest of any shipped sound; the other way it is -111 and -62 dB.

Units: warped frames. Shapes: ``G`` voices of a group, ``Z`` sides, ``P`` partials.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from voices.phases.reading_kernel import Kernel
from voices.phases.warped_time import Part
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import Rows
from voices.synthesis.voice_arrays import VoiceArrays

Key = tuple[int, int]
"""A row of `Smoother`, and the ratio of the tables to the keys, in billionths."""
MARGIN = 64
"""At least so many frames after its origin a group is read: more than any kernel reaches back."""
FARTHEST = 16
"""By so many frames at most a state has decayed for longer or shorter than it was drawn."""


@dataclass(slots=True)
class Group:
    """Voices that share a warped time."""

    rows: Rows
    slots: Sequence[Slot]
    motion_row: int
    ratio: float
    """Of the tables to the keys."""
    kernel: Kernel
    fastest: float
    """Of its pitch over that of the tables, the ratio up to which it is read."""
    ahead: float = 0.0
    """How far the block's start is after the origin, of which the state is, in warped frames."""
    due: int = -1
    """The frame of the block for which that holds ..."""
    new: Sequence[Slot] = ()
    """... and the slots for which it does not yet."""
    since: float = 0.0
    """The frame as of which partials have decayed in that state."""
    decays: NDArray[np.float32] | None = field(init=False)
    """Those of partials that are heard, (G, 1, P); None: of none."""
    leaning: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None
    """Factors inside a row, and what decays make of them; None: not known yet."""
    further: NDArray[np.complex64] = field(init=False)
    """Factors from row to row of the tables, as far as is read: (G, 1, rows, P)."""
    sound: NDArray[np.float32] | None = None
    """What was drawn for the block before, (GZ, frames), ..."""
    sound_from: int = 0
    """... from this row on, ..."""
    sound_of: int = 0
    """... of so many partials."""

    def draw_further(
        self, arrays: VoiceArrays, reach: int, height: int, old: "Group | None"
    ) -> None:
        """Work out ``further``, as far as ``reach`` rows, from tables of ``height`` rows.

        What it has in common with the ``old`` group is known.
        """
        self.further = np.empty((len(self.slots), 1, reach, arrays.partials), np.complex64)
        places = {} if old is None else {slot: place for place, slot in enumerate(old.slots)}
        new = [place for place, slot in enumerate(self.slots) if slot not in places]
        for place, slot in enumerate(self.slots):
            if old is not None and slot in places:
                self.further[place] = old.further[places[slot]]
        rows: Rows = self.rows
        made = self.further[:, 0]
        if len(new) < len(self.slots):
            rows = np.array([self.slots[place].index for place in new], np.intp)
            made = np.empty((len(new), reach, arrays.partials), np.complex64)
        made[:, :height] = arrays.outer[rows][:, :reach]
        power, known = arrays.step[rows][:, None], height
        while new and known < reach:  # twice as many each time
            following = made[:, known : 2 * known]
            np.multiply(made[:, : following.shape[1]], power.astype(np.complex64), out=following)
            power, known = power * power, 2 * known
        if len(new) < len(self.slots):
            self.further[new, 0] = made

    def find_decays(self, arrays: VoiceArrays) -> None:
        """Find out which partials decay on their own."""
        self.decays = None
        if arrays.dying[self.rows].any():
            heard = np.any(arrays.onset_phasors[self.rows], axis=1)
            self.decays = (arrays.decays[self.rows] * heard)[:, None].astype(np.float32)

    def go_on(self, arrays: VoiceArrays, turned: float, frame: int, frames: int) -> None:
        """Go on to the next block, after one of so many frames in which keys turned so far."""
        rows = self.rows
        self.ahead += turned
        self.due = frame + frames
        while self.ahead >= frames + MARGIN:
            self.ahead -= frames
            self.since += frames
            self.sound_from -= frames // arrays.inner.shape[-1]
            arrays.turned[rows] *= arrays.step[rows][:, None]
        late = self.due - self.ahead - self.since
        if self.decays is None or abs(late) > FARTHEST:
            if self.decays is not None:
                arrays.turned[rows] *= np.exp(arrays.decays[rows] * -late)[:, None]
            self.since += late
        arrays.cycles[rows] += arrays.frequency[rows] * (turned * self.ratio)
        arrays.as_of[rows] = self.due
        arrays.stale[rows] = True

    def drawn_on(
        self, arrays: VoiceArrays, state: NDArray[np.complex128], partials: int, rows: range
    ) -> NDArray[np.float32]:
        """Return some rows of what follows a state, (GZ, frames), of partials that do not decay.

        What was drawn for the block before is not drawn again.
        """
        width, sound = arrays.inner.shape[-1], self.sound
        until = self.sound_from + (0 if sound is None else sound.shape[1] // width)
        if sound is None or self.sound_of != partials or not self.sound_from <= rows.start < until:
            sound = self.drawn(arrays, state, partials, rows, None)
        else:
            parts = [sound[:, (rows.start - self.sound_from) * width :]]
            if until < rows.stop:
                parts.append(self.drawn(arrays, state, partials, range(until, rows.stop), None))
            sound = np.concatenate(parts, axis=1)
        self.sound, self.sound_from, self.sound_of = sound, rows.start, partials
        return sound

    def drawn(
        self,
        arrays: VoiceArrays,
        state: NDArray[np.complex128],
        partials: int,
        rows: range,
        part: Part | None,
    ) -> NDArray[np.float32]:
        """Return some rows of what follows a state, (GZ, frames), for a part of a warped time."""
        narrow = state[:, :, None, :partials].astype(np.complex64)
        further = self.further[:, :, rows.start : rows.stop, :partials]
        inner = arrays.inner[self.rows, : 2 * partials]
        if part and self.decays is not None:
            decays, width = self.decays[..., :partials], inner.shape[-1]
            middles = (np.array(rows) + 0.5) * (width * part.grows) + part.lead
            further = further * _exp(decays * middles.astype(np.float32)[:, None])[:, None]
            inner, leaning = self._leaning(inner, partials)
            inner = leaning * np.float32(part.grows) + inner
        left = further * narrow
        pairs = left.view(np.float32).reshape(len(left), -1, 2 * partials)
        return np.asarray(np.matmul(pairs, inner).reshape(left.shape[0] * left.shape[1], -1))

    def _leaning(
        self, inner: NDArray[np.float32], partials: int
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return factors inside a row, and how they change where a decay is slower by all of it.

        Both in one piece, which costs less to add.
        """
        if self.leaning is None or self.leaning[0].shape != inner.shape:
            assert self.decays is not None
            width = inner.shape[-1]
            columns = np.arange(width, dtype=np.float32) - width / 2
            decays = self.decays[:, 0, :partials].repeat(2, axis=1)
            self.leaning = inner.copy(), inner * (decays[..., None] * columns)
        return self.leaning


def _exp(small: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return e to small powers, to third order, for less than half the cost.

    With it a partial with a T60 of 30 ms is right to -80 dB in blocks of 1,024 frames, where the
    powers are largest; without, to -87.
    """
    return np.asarray(((small * (1 / 6) + 0.5) * small + 1.0) * small + 1.0)


def rows_of(numbers: list[int]) -> Rows:
    """Return rows in ascending order as they cost least."""
    first, last = numbers[0], numbers[-1]
    return slice(first, last + 1) if last - first == len(numbers) - 1 else np.array(numbers)
