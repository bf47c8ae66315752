"""Temperaments against tables worked out from their definitions.

Definitions, from memory: J. M. Barbour, *Tuning and Temperament* (1951); O. Jorgensen, *Tuning*
(1991). The tables hold thousandths of a cent, hence the tolerance.
"""

from itertools import pairwise

import pytest

from config.temperament import NAMES, PURE_FIFTH, Temperament, cents, cents_above_c, offsets

TOLERANCE = 0.0015
FIFTHS = [7 * step % 12 for step in range(13)]

ABOVE_C: dict[Temperament, str] = {
    "equal": "0 100 200 300 400 500 600 700 800 900 1000 1100",
    # Eleven pure fifths Eb to G#.
    "pythagorean": "0.000 113.685 203.910 294.135 407.820 498.045 "
    "611.730 701.955 815.640 905.865 996.090 1109.775",
    # Fifths Eb to G# narrowed by a quarter of the syntonic comma.
    "quarter-comma-meantone": "0.000 76.049 193.157 310.265 386.314 503.422 "
    "579.471 696.578 772.627 889.735 1006.843 1082.892",
    # ... and by a sixth of it.
    "sixth-comma-meantone": "0.000 88.594 196.741 304.888 393.482 501.629 "
    "590.224 698.371 786.965 895.112 1003.259 1091.853",
    # 1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8.
    "just": "0.000 111.731 203.910 315.641 386.314 498.045 "
    "590.224 701.955 813.686 884.359 1017.596 1088.269",
    # C-G, G-D, D-A and B-F# narrowed by a quarter of the Pythagorean comma.
    "werckmeister-3": "0.000 90.225 192.180 294.135 390.225 498.045 "
    "588.270 696.090 792.180 888.270 996.090 1092.180",
    # C-G-D-A-E narrowed by a quarter of the syntonic comma, F#-C# by the schisma.
    "kirnberger-3": "0.000 90.225 193.157 294.135 386.314 498.045 "
    "590.224 696.578 792.180 889.735 996.090 1088.269",
    # F-C-G-D-A-E-B narrowed by a sixth of the Pythagorean comma.
    "vallotti": "0.000 94.135 196.090 298.045 392.180 501.955 "
    "592.180 698.045 796.090 894.135 1000.000 1090.225",
    # C-G-D-A-E narrowed by 3/16 of the syntonic comma, Bb-F-C and E-B-F# by the rest in four parts.
    "young-1": "0.000 93.890 195.845 297.800 391.690 499.878 "
    "591.935 697.923 795.845 893.768 999.755 1091.813",
    # C-G-D-A-E-B-F# narrowed by a sixth of the Pythagorean comma.
    "young-2": "0.000 90.225 196.090 294.135 392.180 498.045 "
    "588.270 698.045 792.180 894.135 996.090 1090.225",
}

WITH_A_AT_0: dict[Temperament, str] = {
    "equal": "0 0 0 0 0 0 0 0 0 0 0 0",
    "pythagorean": "-5.865 7.820 -1.955 -11.730 1.955 -7.820 5.865 -3.910 9.775 0 -9.775 3.910",
    "quarter-comma-meantone": "10.265 -13.686 3.422 20.529 -3.422 13.686 "
    "-10.265 6.843 -17.108 0 17.108 -6.843",
    "just": "15.641 27.373 19.551 31.283 1.955 13.686 5.865 17.596 29.328 0 33.238 3.910",
    "werckmeister-3": "11.730 1.955 3.910 5.865 1.955 9.775 0 7.820 3.910 0 7.820 3.910",
    "kirnberger-3": "10.265 0.490 3.422 4.400 -3.422 8.310 0.488 6.843 2.445 0 6.355 -1.467",
    "vallotti": "5.865 0 1.955 3.910 -1.955 7.820 -1.955 3.910 1.955 0 5.865 -3.910",
    "young-2": "5.865 -3.910 1.955 0 -1.955 3.910 -5.865 3.910 -1.955 0 1.955 -3.910",
}


def numbers(row: str) -> list[float]:
    return [float(number) for number in row.split()]


def fifths(name: Temperament) -> list[float]:
    """Return the sizes of the twelve fifths, from C-G round to F-C."""
    heights = cents_above_c(name)
    return [(heights[upper] - heights[lower]) % 1200.0 for lower, upper in pairwise(FIFTHS)]


def test_every_temperament_has_a_table() -> None:
    assert set(ABOVE_C) == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_the_keys_lie_as_far_above_c_as_the_table_says(name: Temperament) -> None:
    assert cents_above_c(name) == pytest.approx(numbers(ABOVE_C[name]), abs=TOLERANCE)


@pytest.mark.parametrize("name", WITH_A_AT_0)
def test_the_offsets_from_equal_temperament_are_those_of_the_table(name: Temperament) -> None:
    assert offsets(name) == pytest.approx(numbers(WITH_A_AT_0[name]), abs=TOLERANCE)


@pytest.mark.parametrize("name", NAMES)
def test_offsets_are_the_keys_less_equal_temperament_with_a_at_0(name: Temperament) -> None:
    heights, shifts = cents_above_c(name), offsets(name)
    assert shifts[9] == 0.0
    for key in range(12):
        expected = heights[key] - heights[9] - 100.0 * (key - 9)
        assert shifts[key] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_twelve_fifths_close_to_seven_octaves(name: Temperament) -> None:
    assert sum(fifths(name)) == pytest.approx(8400.0, abs=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_c_is_at_0_and_the_keys_rise_within_the_octave(name: Temperament) -> None:
    heights = cents_above_c(name)
    assert len(heights) == 12
    assert heights[0] == 0.0
    assert list(heights) == sorted(set(heights))
    assert heights[11] < 1200.0


@pytest.mark.parametrize(
    ("name", "pure"),
    [
        ("pythagorean", 11),
        ("quarter-comma-meantone", 0),
        ("werckmeister-3", 8),
        ("kirnberger-3", 7),
        ("vallotti", 6),
        ("young-1", 4),
        ("young-2", 6),
    ],
)
def test_the_other_fifths_are_pure(name: Temperament, pure: int) -> None:
    assert pytest.approx(701.955, abs=0.0005) == PURE_FIFTH
    assert sum(abs(size - PURE_FIFTH) < 1e-9 for size in fifths(name)) == pure


@pytest.mark.parametrize(
    ("name", "wolf"),
    [
        ("pythagorean", 678.495),
        ("quarter-comma-meantone", 737.637),
        ("sixth-comma-meantone", 717.923),
    ],
)
def test_the_wolf_is_between_g_sharp_and_e_flat(name: Temperament, wolf: float) -> None:
    heights = cents_above_c(name)
    assert (heights[3] - heights[8]) % 1200.0 == pytest.approx(wolf, abs=TOLERANCE)


def test_an_octave_is_1200_cents_exactly() -> None:
    assert cents(2.0) == 1200.0
    assert cents(0.5) == -1200.0
