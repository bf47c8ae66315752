"""Remarks in a commented file belong to the keys and tables that they stand above."""

from daemon.manual.commented_file import parts, tables

FILE = """\
#:schema organ.json
# All about this file.

# Notes at once.
polyphony = 16

[sound]
# The sound at power-on.
name = "market-organ"
# What program changes choose:
programs = [
    "market-organ",  # the first
    "reed-organ",
]
level = 1

# Parts of the keyboard.

# [[zones]]
# # Which keys.
# keys = [0, 127]
# pan = 0.0

# Knobs:
#   "tilt"  bright or dull

[[bindings]]
control = 74

[[bindings]]
control = 72

# [[bindings]]
# control = 20
"""


def test_each_remark_is_with_its_key_or_table() -> None:
    top, sound, zones, bindings = tables(FILE)
    assert (top.name, top.about, top.keys) == (
        "", ["All about this file."], {"polyphony": "Notes at once."},
    )  # fmt: skip
    assert sound.keys == {
        "name": "The sound at power-on.",
        "programs": "What program changes choose:",
        "level": "",
    }
    assert (zones.about, zones.keys) == (
        ["Parts of the keyboard."], {"keys": "Which keys.", "pan": ""},
    )  # fmt: skip
    assert bindings.about == ['Knobs:\n  "tilt"  bright or dull', "[[bindings]]\ncontrol = 20"]
    assert bindings.keys == {"control": ""}


def test_what_is_indented_or_a_setting_stays_as_it_is() -> None:
    block = 'Knobs:\n  "tilt"  bright\n  "attack"  slow\nor so\npan = 1'
    assert list(parts(block)) == [
        (False, ["Knobs:"]),
        (True, ['  "tilt"  bright', '  "attack"  slow']),
        (False, ["or so"]),
        (True, ["pan = 1"]),
    ]
