"""The cache of tables: of the keys that are about to be played, and of those that were.

Shapes: ``K`` keys, ``P`` partials; see `voices.phases.phasor_tables`.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import repeat
from operator import is_
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from voices.phases.phasor_tables import Tables, powers, tables
from voices.timbres.timbre import Timbre

MOST_BYTES = 6 << 20
"""Above this the tables that were met while playing are dropped (bent notes leave many that are
never needed again)."""
BACK = 64
"""Phases at onsets are known for so many frames one by one."""
INAUDIBLE = 1e-8
"""A partial below this level is zeroed."""

Key = tuple[Timbre, int, float]
"""A timbre, the key that was struck, and its frequency, not bent, in cycles per frame."""
Bent = tuple[Timbre, int, float, float, float]
"""The same with the frequency as bent, and with what stretch and detuning are at."""


class KeyTables(NamedTuple):
    """What slots on K keys begin with."""

    phasors: Tables
    back_rows: NDArray[np.complex64]
    """Shape (KR, P): ``z^(-rC)``, with C of `BACK`, or less if a block is shorter, ..."""
    back_columns: NDArray[np.complex64]
    """... and (KC, P): ``z^-c``, times the weight of the partial."""
    details: NDArray[np.uint8]
    """Shape (K, bytes): what `details` cuts a row of it into."""

    def back(self, keys: NDArray[np.intp], frames: NDArray[np.intp]) -> NDArray[np.complex64]:
        """Return weighted ``z^-n`` of some keys, (len(keys), P), each for its n of ``frames``."""
        height = len(self.back_rows) // len(self.details)
        width = len(self.back_columns) // len(self.details)
        if height == 1:
            return self.back_columns.take(keys * width + frames, 0)
        along, inside = np.divmod(frames, width)
        turned = self.back_rows.take(keys * height + along, 0)
        turned *= self.back_columns.take(keys * width + inside, 0)
        return turned


Place = tuple[KeyTables, int]
"""Tables of many keys, and one of them."""


class Details(NamedTuple):
    """What each of many rows holds beside its tables."""

    properties: NDArray[np.float64]
    """Shape (V, 7, P): those of `Timbre`."""
    decays: NDArray[np.float64]
    """Shape (V, P), in nepers per frame."""
    lifetimes: NDArray[np.float64]
    """Shape (V, P): for how many frames from the onset each partial is audible at most."""
    gains: NDArray[np.float64]
    """Shape (V, P): the gain of each partial that is in the state of its slot."""
    i_omega: NDArray[np.complex64]
    """Shape (V, P): i times the radians per frame of each partial, not bent."""
    progress: NDArray[np.float64]
    """Shape (V, 7): see `VoiceArrays`."""


def row_of_details(partials: int) -> np.dtype[Any]:
    """Return how the bytes of a row are laid out: one copy moves all of it."""
    return np.dtype(
        [
            ("properties", np.float64, (7, partials)),
            ("decays", np.float64, partials),
            ("lifetimes", np.float64, partials),
            ("gains", np.float64, partials),
            ("i_omega", np.complex64, partials),
            ("progress", np.float64, 7),
        ]
    )


def details(rows: NDArray[np.uint8], partials: int) -> Details:
    """Return rows of bytes, (V, bytes), as what they hold."""
    whole = rows.view(row_of_details(partials))[:, 0]
    return Details(*(whole[name] for name in Details._fields))


class TableCache:
    """Tables by timbre, key and frequency, for blocks of one length."""

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self.kept: Mapping[Key, Place] = {}
        """Those that were computed before they were needed."""
        self._met: dict[Key, Place] = {}
        self._bent: dict[Bent, tuple[Tables, int]] = {}
        self._bytes = 0

    def keys(self, wanted: Sequence[Key]) -> list[Place]:
        """Return the tables of keys; those missing are computed, all at once.

        The timbres must be of one shape.
        """
        kept, met = self.kept, self._met
        places = [kept.get(each) or met.get(each) for each in wanted]
        if None in places:
            self._make_room()
            missing = [each for each, place in zip(wanted, places, strict=True) if not place]
            added = computed(missing, self._frames)
            made, _ = added[missing[0]]
            self._bytes += sum(table.nbytes for table in (*made.phasors, *made[1:]))
            met.update(added)
            places = [place or added[each] for each, place in zip(wanted, places, strict=True)]
        return places  # type: ignore[return-value]

    def bent(self, wanted: Sequence[Bent]) -> list[tuple[Tables, int]]:
        """Return the phasors of keys at bent frequencies, and spread, as `keys` does."""
        known = self._bent
        missing = [each for each in wanted if each not in known]
        if missing:
            self._make_room()
            missing = [each for each in wanted if each not in known]
            made = _bent(missing, self._frames)
            self._bytes += sum(table.nbytes for table in made)
            known.update({each: (made, row) for row, each in enumerate(missing)})
        return [known[each] for each in wanted]

    def _make_room(self) -> None:
        if self._bytes > MOST_BYTES:
            self._met.clear()
            self._bent.clear()
            self._bytes = 0


T = TypeVar("T", KeyTables, Tables)
Rows = slice | NDArray[np.intp]


def by_tables(
    rows: Sequence[int], places: Sequence[tuple[T, int]]
) -> Iterator[tuple[Rows, T, NDArray[np.intp]]]:
    """Yield which of some rows have their tables in common, those tables, and where they are.

    Rows that follow each other come as a slice: with one, numpy copies nothing.
    """
    all_tables, all_keys = zip(*places, strict=True)
    if isinstance(rows, range) and are_one(all_tables):
        yield slice(rows.start, rows.stop), all_tables[0], np.array(all_keys)
        return
    rest = list(zip(rows, places, strict=True))
    while rest:
        made = rest[0][1][0]
        those = [row for row, place in rest if place[0] is made]
        keys = np.array([place[1] for _, place in rest if place[0] is made])
        first, last = those[0], those[-1]
        in_one_piece = last - first == len(those) - 1
        yield slice(first, last + 1) if in_one_piece else np.array(those), made, keys
        if len(those) == len(rest):
            return
        rest = [each for each in rest if each[1][0] is not made]


def are_one(objects: Sequence[object]) -> bool:
    """Return whether all of some objects are the same one."""
    return all(map(is_, objects, repeat(objects[0])))


def fill(into: NDArray[Any], rows: Rows, table: NDArray[Any], keys: NDArray[np.intp]) -> None:
    """Copy entries of a table into rows of an array."""
    if isinstance(rows, slice):
        table.take(keys, 0, into[rows], "clip")
    else:
        into[rows] = table[keys]


def _bent(wanted: Sequence[Bent], frames: int) -> Tables:
    frequencies = np.array([timbre.ratios * frequency for timbre, _, frequency, *_ in wanted])
    spread = np.array([each[3:] for each in wanted])
    if spread.any():
        shares = np.array([timbre.spreads for timbre, *_ in wanted])
        frequencies *= 1.0 + np.matmul(spread[:, None], shares)[:, 0]
    decays = np.array([timbre.decays_at(key) for timbre, key, *_ in wanted])
    return tables(frequencies, decays, frames, wanted[0][0].side_count)


def computed(wanted: Sequence[Key], frames: int) -> dict[Key, Place]:
    """Return the tables of keys, all computed at once; the timbres are of one shape."""
    frequencies = np.array([timbre.ratios * frequency for timbre, _, frequency in wanted])
    decays = np.array([timbre.decays_at(key) for timbre, key, _ in wanted])
    levels = np.array([timbre.levels for timbre, _, _ in wanted])
    columns = min(frames, BACK)
    partials = levels.shape[1]
    back = np.exp(decays - 2j * np.pi * frequencies)
    back_rows = powers(np.exp(columns * (decays - 2j * np.pi * frequencies)), frames // columns)
    # A partial that is just inaudible and does not decay is never heard.
    with np.errstate(divide="ignore", invalid="ignore"):
        audible = np.log(np.maximum(levels, 1e-30) / INAUDIBLE) / decays
    audible[np.isnan(audible)] = 0.0
    phasors = tables(frequencies, decays, frames, wanted[0][0].side_count)
    back_columns = powers(back, columns)
    back_columns *= phasors.weight
    own = np.zeros((len(wanted), row_of_details(partials).itemsize), np.uint8)
    cut = details(own, partials)
    cut.properties[:] = [timbre.properties for timbre, _, _ in wanted]
    cut.decays[:], cut.lifetimes[:] = decays, audible
    cut.gains[:], cut.i_omega[:] = 1.0, phasors.i_omega
    cut.progress[:, :3] = [(each, each * timbre.highest, each) for timbre, _, each in wanted]
    made = KeyTables(
        phasors,
        back_rows.swapaxes(0, 1).astype(np.complex64).reshape(-1, partials),
        back_columns.swapaxes(0, 1).astype(np.complex64).reshape(-1, partials),
        own,
    )
    return {each: (made, place) for place, each in enumerate(wanted)}
