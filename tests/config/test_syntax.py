"""The text of TOML files: where a key stands, how a value is written."""

import tomllib

import pytest

from config.toml.syntax import inline, line_of

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


@pytest.mark.parametrize(
    "value",
    [
        True,
        -3,
        0.0,
        1e-07,
        'Cargo "Bike"\n\x1b\x7f\x9b keys 🎹',
        [1, [True, "a"]],
        {},
        {"control": 20, "two words": {"low": -60.0}},
    ],
)
def test_a_value_written_inline_is_read_back_and_keeps_to_its_line(value: object) -> None:
    written = inline(value)
    assert written.isprintable()
    assert tomllib.loads(f"key = {written}") == {"key": value}
