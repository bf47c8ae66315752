"""The arrays of a bank: one row per slot, the rows in use first.

Units: frames, cycles per frame, nepers per frame. Shapes: ``V`` rows of ``P`` partials on ``S``
sides, for blocks of ``R`` rows by ``C`` columns (see `voices.phases.phasor_tables`).
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.phases.onset_spectrum import OnsetSpectrum
from voices.phases.phasor_tables import shape_of
from voices.synthesis.slot import Slot
from voices.synthesis.table_cache import (
    KeyTables,
    Rows,
    are_one,
    by_tables,
    details,
    fill,
    row_of_details,
)
from voices.timbres.timbre import Timbre

SPARE_ROWS = 8


class VoiceArrays:
    """Everything a bank knows of its slots, in columns."""

    outer: NDArray[np.complex64]
    """(V, R, P): the tables' factors from row to row of a block ..."""
    inner: NDArray[np.float32]
    """... (V, 2P, C): inside a row ..."""
    step: NDArray[np.complex128]
    """... (V, P): and from block to block."""
    state: NDArray[np.complex128]
    """(V, S, P): level and phase of each partial at the start of the next block, on each side."""
    turned: NDArray[np.complex128]
    """The same, some frames before, for voices that are read along a warped time."""
    dying: NDArray[np.bool_]
    """Whether any partial that is heard decays on its own."""
    stale: NDArray[np.bool_]
    """Whether tables and state do not hold: for new slots, and those that moved."""
    onset_phasors: NDArray[np.complex64]
    """(V, S, P): level and phase of each partial at the onset."""
    details: NDArray[np.uint8]
    """What is needed while a slot moves or decays, each part by its name, as in `Details`."""
    motion_row: NDArray[np.intp]
    """The row of `Smoother` with which a slot moves."""
    spreads: NDArray[np.float64]
    """(V, 2, P): by what part of its frequency each partial is higher for all of a stretch and of a
    detuning; and the cycles of the key, each multiplied by one of those, since the onset ..."""
    spread_cycles: NDArray[np.float64]
    spread_known: NDArray[np.bool_]
    """... both only where this says so."""
    table_spread: NDArray[np.float64]
    """The stretch and the detuning that the tables are for."""
    gain: NDArray[np.float32]
    """(V, 2): left and right, while the gain does not move."""

    def __init__(
        self,
        partials: int,
        sides: int,
        frames: int,
        capacity: int,
        memory: NDArray[np.uint8] | None = None,
    ) -> None:
        self.partials, self.sides = partials, sides
        self._columns = _columns(partials, sides, frames)
        self.capacity = 0
        self.latest_onset = -1.0
        """Of all slots there ever were."""
        self.spreading = False
        """Whether any slot may be, or have been, spread."""
        self.changes = 0
        """How often other slots have had the rows."""
        self._decaying = 0
        """How many slots have partials that decay on their own."""
        self.entered: tuple[slice, list[tuple[Rows, KeyTables, NDArray[np.intp]]]] = slice(0), []
        """The rows that were filled last, and the tables of each."""
        self.grow(capacity, memory)

    def grow(self, capacity: int, memory: NDArray[np.uint8] | None = None) -> None:
        """Make room for ``capacity`` slots, keeping what is there.

        ``memory``: where, `_size` bytes of zeros; None: in some of its own.
        """
        partials, kept = self.partials, self.capacity
        if memory is None:
            memory = np.zeros(_size(self._columns, capacity), np.uint8)
        begin = 0
        for name, dtype in self._columns.items():
            array: NDArray[Any] = np.ndarray(capacity, dtype, memory, begin)
            if kept:
                array[:kept] = getattr(self, name)
            setattr(self, name, array)
            begin += _padded(array.nbytes)
        cut = details(self.details, partials)
        self.properties, self.decays, self.lifetimes, self.gains, self.i_omega, self.progress = cut
        self.ratios, self.octaves, self.numbers, *rest = self.properties.transpose(1, 0, 2)
        self.swell, self.overtones = rest[:2]
        self.vowels = self.properties[:, 5:]
        # The key's frequency and that of its highest partial, not bent; the frequency that the
        # tables are for; the cycles of the key since the onset as of a frame; that frame; the
        # onset; and how much of a slot is sent to the room.
        self.frequency, self.highest, self.table_frequency, *rest = self.progress.T
        self.cycles, self.as_of, self.onset, self.wet = rest
        self._all = [getattr(self, name) for name in self._columns]
        self.capacity = capacity

    def enter(self, first: int, slots: Sequence[Slot], onsets: NDArray[np.float64]) -> None:
        """Fill rows from ``first`` on for slots whose onsets lie in the next block."""
        numbers = range(first, first + len(slots))
        self.changes += 1
        used = slice(first, numbers.stop)
        self.motion_row[used] = _once([slot.motion_row for slot in slots])
        self.stale[used] = True
        decaying = [slot.timbre.any_decay for slot in slots]
        self.dying[used] = _once(decaying)
        self._decaying += sum(decaying)
        if self.spreading:
            self.spread_known[used] = False
            self.table_spread[used] = 0.0
        self.latest_onset = max(self.latest_onset, onsets.item(onsets.argmax()))
        self._enter_phasors([slot.onset_spectrum for slot in slots], self.onset_phasors[used])
        self.entered = used, list(by_tables(numbers, [slot.tables for slot in slots]))
        for rows, made, keys in self.entered[1]:
            fill(self.outer, rows, made.phasors.rows, keys)
            fill(self.inner, rows, made.phasors.columns, keys)
            fill(self.step, rows, made.phasors.step, keys)
            fill(self.details, rows, made.details, keys)
        self.as_of[used] = self.onset[used] = onsets
        self.wet[used] = _once([slot.wet for slot in slots])

    def _enter_phasors(self, spectra: Sequence[OnsetSpectrum], into: NDArray[np.complex64]) -> None:
        sets, which, *_ = zip(*spectra, strict=True)
        if are_one(sets):  # struck alike
            sets[0].take(which, 0, into, "clip")
        else:
            phasors = [each[place] for each, place in zip(sets, which, strict=True)]
            np.concatenate(phasors, out=into.reshape(-1, self.partials))

    @property
    def any_decay(self) -> bool:
        """Whether partials of any slot decay on their own."""
        return self._decaying > 0

    def prune(self, used: slice, frame: int) -> NDArray[np.bool_] | None:
        """Zero the partials that have decayed by a frame; return those left, (V, P).

        None: all are left.
        """
        inaudible = self.lifetimes[used] < (frame - self.onset[used])[:, None]
        if not inaudible.any():
            return None
        for phasors in (self.state, self.turned, self.onset_phasors):
            phasors[used].swapaxes(1, 2)[inaudible] = 0.0
        self.lifetimes[used][inaudible] = np.inf
        heard: NDArray[np.bool_] = np.any(self.onset_phasors[used], axis=1)
        self.dying[used] = np.any(heard & (self.decays[used] > 0.0), axis=1)
        self.highest[used] = self.frequency[used] * (self.ratios[used] * heard).max(1)
        self.changes += 1
        return heard

    def take_out(self, row: int, last: int, timbre: Timbre) -> None:
        """Give the row of a slot of a timbre to the last one."""
        self.changes += 1
        if row != last:
            for array in self._all:
                array[row] = array[last]
        self._decaying -= timbre.any_decay

    def forget_spread(self) -> None:
        """Let no slot be spread any more: there is none."""
        self.spreading = False
        self.spread_known[:] = False
        self.table_spread[:] = 0.0

    def cycles_at(
        self, rows: Rows, frame: int, frequency: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the key's cycles since the onset until ``frame``, at ``frequency`` since last."""
        return np.asarray(self.cycles[rows] + frequency * (frame - self.as_of[rows]))

    def catch_up(self, rows: Rows, frame: int) -> None:
        """Bring what keys have turned up to a frame, for those at rest until then."""
        if all(self.stale[rows].tolist()):
            return  # all have moved
        now = self.cycles_at(rows, frame, self.table_frequency[rows])
        if self.spreading:
            gone = now - self.cycles[rows]
            self.spread_cycles[rows] += self.table_spread[rows] * gone[:, None]
        self.cycles[rows], self.as_of[rows] = now, frame


def in_one_piece(
    slots: Mapping[tuple[int, int], int], frames: int
) -> Iterator[tuple[tuple[int, int], VoiceArrays]]:
    """Yield the arrays of banks, by their partials and sides, for so many slots each.

    All are in one piece of memory, of which the system provides a page when it is first written to;
    smaller ones would be wiped at once. Most banks are never played, and hardly any needs all its
    rows.
    """
    rows = {shape: count + SPARE_ROWS for shape, count in slots.items()}
    sizes = [_size(_columns(*shape, frames), capacity) for shape, capacity in rows.items()]
    memory, begin = np.zeros(sum(sizes), np.uint8), 0
    for (shape, capacity), size in zip(rows.items(), sizes, strict=True):
        yield shape, VoiceArrays(*shape, frames, capacity, memory[begin : begin + size])
        begin += size


def _columns(partials: int, sides: int, frames: int) -> dict[str, np.dtype[Any]]:
    """Return what a slot has in each array."""
    height, width = shape_of(frames, sides)
    columns: dict[str, tuple[type, tuple[int, ...]]] = {
        "outer": (np.complex64, (height, partials)),
        "inner": (np.float32, (2 * partials, width)),
        "step": (np.complex128, (partials,)),
        "state": (np.complex128, (sides, partials)),
        "turned": (np.complex128, (sides, partials)),
        "dying": (np.bool_, ()),
        "stale": (np.bool_, ()),
        "onset_phasors": (np.complex64, (sides, partials)),
        "details": (np.uint8, (row_of_details(partials).itemsize,)),
        "motion_row": (np.intp, ()),
        "spreads": (np.float64, (2, partials)),
        "spread_cycles": (np.float64, (2,)),
        "spread_known": (np.bool_, ()),
        "table_spread": (np.float64, (2,)),
        "gain": (np.float32, (2,)),
    }
    return {name: np.dtype(each) for name, each in columns.items()}


def _size(columns: Mapping[str, np.dtype[Any]], capacity: int) -> int:
    """Return how many bytes the arrays of a bank take up."""
    return sum(_padded(dtype.itemsize * capacity) for dtype in columns.values())


def _padded(size: int) -> int:
    """Return how many bytes an array takes up, so that the next begins with a line of the cache."""
    return size + -size % 64


def _once(values: list[Any]) -> Any:
    """Return what all values are, or the list of them: one number is filled in faster."""
    return values[0] if values.count(values[0]) == len(values) else values
