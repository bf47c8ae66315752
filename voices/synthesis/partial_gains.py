"""The gains of partials: a channel's spectral tilt, and levels of single partials or groups.

Units: dB per octave, dB; gains linear.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voices.modulation.smoother import FIRST_LEVEL, TILT
from voices.timbres.timbre import EVEN_OVERTONE, IN_RANK, OVERTONE

OVERTONES, EVEN, SWELL, ODD, MIDDLE_VOWEL, LAST_VOWEL = -1, -2, -3, -4, -5, -6
"""All partials above the key, the even harmonics, each as the swell moves it, what of those above
the key is not even, and each as it is in another vowel, as entries of `level_columns`."""
VOWELS = (MIDDLE_VOWEL, LAST_VOWEL)
RANKS = -100
"""The partials of the n-th rank: ``RANKS - n``."""

Array = NDArray[Any]

_DB = float(np.log(10.0)) / 20.0


class PartialGains:
    """The gains of partials."""

    def __init__(self) -> None:
        self.level_columns: Sequence[int] = ()
        """What each level column of `Smoother` is for: a partial (from 1), or one of the above."""

    @property
    def turn_vowels(self) -> bool:
        """Whether anything is bound to the vowels."""
        return LAST_VOWEL in self.level_columns

    def gains(self, values: Array, *properties: Any) -> Array | None:
        """Return the gain of each partial, shape (..., K, P), or None when all are 1.

        What it takes is what `nepers` takes.
        """
        made = self.nepers(values, *properties)
        return None if made is None else np.asarray(np.exp(made))

    def nepers(
        self,
        values: Array,
        octaves: Array,
        numbers: Array,
        swell: Array,
        overtones: Array,
        vowels: Array | None = None,
    ) -> Array | None:
        """Return the natural logarithms of the gains, shape (..., K, P), or None when all are 0.

        ``values``, shape (..., K, columns), are those of each voice's row of `Smoother`;
        ``octaves``, shape (K, P), is how far each partial lies above the key, ``numbers`` its
        place in its rank, from 1, and `IN_RANK` times that of the rank, ``swell`` the dB that a
        dB of swell adds to it, ``overtones`` whether it is one: 0, `OVERTONE` or `EVEN_OVERTONE`,
        ``vowels``, (K, 2, P), the dB by which it is louder in each other vowel. All are in double
        precision, or all in single, which costs less and is enough while gains change.
        """
        others = tuple(range(values.ndim - 1))
        turned: list[bool] = np.logical_or.reduce(values, axis=others).tolist()
        if not any(turned[TILT:]):
            return None
        level: Array | None = None
        if turned[TILT]:
            level = (values[..., TILT, None] * _DB) * octaves
            if octaves.item(octaves.argmin()) < 0.0:  # below the key nothing rises
                np.minimum(level, 0.0, out=level, where=octaves < 0.0)
        vowel_columns: list[int] = []
        for column, number in enumerate(self.level_columns, FIRST_LEVEL):
            if not turned[column]:
                continue
            if number in VOWELS and vowels is not None:
                vowel_columns.insert(0, column)
                continue
            chosen = swell
            if number != SWELL:
                chosen = _selected(number, numbers, overtones).astype(values.dtype)
            more = chosen * (values[..., column, None] * _DB)
            level = more if level is None else np.add(level, more, out=level)
        if vowel_columns and vowels is not None:
            which = [VOWELS.index(self.level_columns[at - FIRST_LEVEL]) for at in vowel_columns]
            some = slice(which[0], which[-1] + 1)
            more = _products(values.take(vowel_columns, -1) * _DB, vowels[:, some])
            level = more if level is None else np.add(level, more, out=level)
        return level


def _products(values: Array, chosen: Array) -> Array:
    """Return the sums of values, (..., K, C), times what each is of, (K, C, P): (..., K, P)."""
    made = np.empty((*values.shape[:-1], chosen.shape[2]), np.result_type(values, chosen))
    if values.ndim == 2:
        np.matmul(values[:, None], chosen, out=made[:, None])
    else:
        np.matmul(values.swapaxes(0, 1), chosen, out=made.swapaxes(0, 1))
    return made


def _selected(number: int, numbers: Array, overtones: Array) -> NDArray[np.bool_]:
    """Return which partials an entry of `level_columns` means."""
    if number == OVERTONES:
        return np.asarray(overtones >= OVERTONE)
    if number == EVEN:
        return np.asarray(overtones == EVEN_OVERTONE)
    if number == ODD:
        return np.asarray(overtones == OVERTONE)
    if number < RANKS:
        return np.asarray(numbers // IN_RANK == RANKS - number)
    return np.asarray(numbers % IN_RANK == number)
