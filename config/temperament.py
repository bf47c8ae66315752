"""Temperaments: how the twelve keys of an octave are spaced, in cents above C.

Computed from the fifths (or ratios) that define each one, so that no table can be mistyped.

- equal: all twelve fifths alike.
- pythagorean: eleven pure fifths, Eb to G#.
- quarter-comma-meantone, sixth-comma-meantone: eleven fifths, Eb to G#, narrowed by a quarter or a
  sixth of the syntonic comma.
- just: 1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8 above C (5-limit; other lists differ in
  single notes).
- werckmeister-3: C-G, G-D, D-A and B-F# narrowed by a quarter of the Pythagorean comma.
- kirnberger-3: C-G-D-A-E narrowed by a quarter of the syntonic comma, F#-C# by the schisma.
- vallotti: F-C-G-D-A-E-B narrowed by a sixth of the Pythagorean comma.
- young-1: C-G-D-A-E narrowed by 3/16 of the syntonic comma; Bb-F-C and E-B-F# share the rest of
  the Pythagorean comma.
- young-2: C-G-D-A-E-B-F# narrowed by a sixth of the Pythagorean comma.

All other fifths are pure, but for the wolf G#-Eb of the first three after equal. "Young" names
three different temperaments in the literature: read the definition, not the name.

Sources: J. M. Barbour, *Tuning and Temperament* (1951); O. Jorgensen, *Tuning* (1991), for the
definitions, from memory.
"""

from math import log2
from typing import Literal, get_args

Temperament = Literal[
    "equal",
    "pythagorean",
    "quarter-comma-meantone",
    "sixth-comma-meantone",
    "just",
    "werckmeister-3",
    "kirnberger-3",
    "vallotti",
    "young-1",
    "young-2",
]
NAMES: tuple[Temperament, ...] = get_args(Temperament)


def cents(ratio: float) -> float:
    """Return the size of an interval in cents."""
    return 1200.0 * log2(ratio)


PURE_FIFTH = cents(3 / 2)
PYTHAGOREAN_COMMA = 12 * PURE_FIFTH - 8400.0
SYNTONIC_COMMA = cents(81 / 80)
SCHISMA = PYTHAGOREAN_COMMA - SYNTONIC_COMMA

_YOUNG_INNER = 3 / 16 * SYNTONIC_COMMA
_YOUNG_OUTER = (PYTHAGOREAN_COMMA - 4 * _YOUNG_INNER) / 4

# By how much each of the eleven fifths Eb-Bb-F-C-G-D-A-E-B-F#-C#-G# is narrowed, in cents; the
# twelfth, G#-Eb, closes the circle.
_NARROWED: dict[Temperament, tuple[float, ...]] = {
    "equal": (PYTHAGOREAN_COMMA / 12,) * 11,
    "pythagorean": (0.0,) * 11,
    "quarter-comma-meantone": (SYNTONIC_COMMA / 4,) * 11,
    "sixth-comma-meantone": (SYNTONIC_COMMA / 6,) * 11,
    "werckmeister-3": tuple(
        PYTHAGOREAN_COMMA / 4 * narrowed for narrowed in (0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0)
    ),
    "kirnberger-3": (
        *(0.0, 0.0, 0.0),
        *(SYNTONIC_COMMA / 4,) * 4,
        *(0.0, 0.0, SCHISMA, 0.0),
    ),
    "vallotti": tuple(
        PYTHAGOREAN_COMMA / 6 * narrowed for narrowed in (0, 0, 1, 1, 1, 1, 1, 1, 0, 0, 0)
    ),
    "young-1": (
        *(0.0, _YOUNG_OUTER, _YOUNG_OUTER),
        *(_YOUNG_INNER,) * 4,
        *(_YOUNG_OUTER, _YOUNG_OUTER, 0.0, 0.0),
    ),
    "young-2": tuple(
        PYTHAGOREAN_COMMA / 6 * narrowed for narrowed in (0, 0, 0, 1, 1, 1, 1, 1, 1, 0, 0)
    ),
}
_CIRCLE = (3, 10, 5, 0, 7, 2, 9, 4, 11, 6, 1, 8)  # Eb Bb F C G D A E B F# C# G#
_JUST = (1, 16 / 15, 9 / 8, 6 / 5, 5 / 4, 4 / 3, 45 / 32, 3 / 2, 8 / 5, 5 / 3, 9 / 5, 15 / 8)


def cents_above_c(name: Temperament) -> tuple[float, ...]:
    """Return the twelve keys C to B in cents above C."""
    if name == "just":
        return tuple(cents(ratio) for ratio in _JUST)
    heights = {_CIRCLE[0]: 0.0}
    for lower, upper, narrowed in zip(_CIRCLE, _CIRCLE[1:], _NARROWED[name], strict=False):
        heights[upper] = heights[lower] + PURE_FIFTH - narrowed
    return tuple((heights[key] - heights[0]) % 1200.0 for key in range(12))


def offsets(name: Temperament) -> tuple[float, ...]:
    """Return how far each key C to B lies from equal temperament, in cents, with A at 0."""
    heights = cents_above_c(name)
    deviation = [height - 100.0 * key for key, height in enumerate(heights)]
    return tuple(each - deviation[9] for each in deviation)
