import pytest

from tests.support.acceptance import checked, table


def test_the_table_has_every_row_with_its_bound_and_the_range_of_every_sound() -> None:
    kept: list[list[object]] = []
    measured = checked(lambda _name, value: kept.append(value))  # type: ignore[arg-type]
    measured("beats: dB", "reeds", {60: 2.5, 72: 4.0}, 2.0, 10.0)
    measured("beats: dB", "celeste", {60: 3.0}, 2.0, 10.0)
    assert table(kept) == [  # type: ignore[arg-type]
        "beats: dB (2 to 10)",
        "    celeste          3",
        "    reeds            2.5 to 4",
    ]
    with pytest.raises(AssertionError, match=r"beats: dB, reeds: \{48: 11.0\} outside 2 to 10"):
        measured("beats: dB", "reeds", {48: 11.0, 60: 3.0}, 2.0, 10.0)
