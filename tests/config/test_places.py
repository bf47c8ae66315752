"""The line in which a key stands."""

import pytest

from config.places import line_of

TEXT = """# Summer on the market square.
polyphony = 8
level.volume_db = -3.0

[ controller ]
"name" = "keys"

[[bindings]]
control = 74
target = "tilt"
[[bindings]]
control = 72
[tuning]  # a remark
a4_hz=440.0
"""


@pytest.mark.parametrize(
    ("key", "line"),
    [
        ("polyphony", 2),
        ("level.volume_db", 3),
        ("controller.name", 6),
        ("controller.channels[2]", 5),
        ("bindings[1].control", 9),
        ("bindings[2].control", 12),
        ("bindings[2]", 11),
        ("bindings[2].target", 11),
        ("tuning.a4_hz", 14),
        ("vibrato", 0),
    ],
)
def test_a_key_is_found_or_else_its_table(key: str, line: int) -> None:
    assert line_of(TEXT, key) == line
