"""The schemas for editors: all that is shipped is valid by them, and what is wrong is not.

A validator of JSON Schema, draft 2020-12, that is not ours judges.
"""

import json
import re
import tomllib
from importlib.resources import files
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from config.library import shipped
from daemon.manual.build import made
from daemon.manual.commented_file import default_file
from daemon.manual.schema import Node, settings_schema, sound_schema

SETTINGS = Draft202012Validator(settings_schema())
SOUND = Draft202012Validator(sound_schema())


@pytest.mark.parametrize("schema", [settings_schema(), sound_schema()], ids=["settings", "sound"])
def test_a_schema_is_one_and_asks_for_nothing_that_toml_cannot_say(schema: Node) -> None:
    Draft202012Validator.check_schema(schema)
    assert "null" not in json.dumps(schema)


def test_the_commented_file_is_valid_and_so_is_all_that_is_commented_out_in_it() -> None:
    SETTINGS.validate(tomllib.loads(default_file()))
    tables = re.findall(r"^# \[\[.*\n(?:#.*\n)*", default_file(), re.MULTILINE)
    assert len(tables) > 1
    for table in tables:
        SETTINGS.validate(tomllib.loads(re.sub("^# ", "", table, flags=re.MULTILINE)))


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_sound_is_valid(name: str) -> None:
    text = files("config").joinpath("sounds", f"{name}.toml").read_text("utf-8")
    SOUND.validate(tomllib.loads(text))


@pytest.mark.parametrize(
    "wrong",
    [
        "polyphony = 0",
        'polyphony = "16"',
        "polyphonie = 16",
        "[audio]\nblock_frames = 100",
        "[controller]\nchannels = [0]",
        '[room]\nplace = "cellar"',
        "[[bindings]]\ncontrol = 74",
        '[[bindings]]\ncontrol = 74\ntarget = "tilt"\nlow = -25.0',
        '[[bindings]]\ncontrol = 74\ntarget = "partial"',
        '[[bindings]]\ncontrol = 74\ntarget = "partial"\npartial = 129',
        '[[bindings]]\ncontrol = 120\ntarget = "release"',
    ],
)
def test_an_editor_marks_what_partiald_would_refuse(wrong: str) -> None:
    assert not SETTINGS.is_valid(tomllib.loads(wrong))


def without(key: str) -> dict[str, Any]:
    text = files("config").joinpath("sounds", "sine.toml").read_text("utf-8")
    return {name: value for name, value in tomllib.loads(text).items() if name != key}


def test_an_editor_marks_what_is_wrong_in_a_sound() -> None:
    assert SOUND.is_valid(without(""))
    assert not SOUND.is_valid(without("title"))
    assert not SOUND.is_valid(without("") | {"familly": "measuring"})
    assert not SOUND.is_valid(without("") | {"level_db": 25.0})


def test_the_first_line_of_the_commented_file_names_the_schema() -> None:
    """As language servers for TOML look for it: a comment ``#:schema`` and a path or address."""
    (path,) = [path for path in made("2026-11-27", "1") if path.endswith("settings.schema.json")]
    assert default_file().splitlines()[0] == f"#:schema /{path}"
