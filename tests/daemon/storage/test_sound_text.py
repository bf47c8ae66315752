"""The text of a sound file: read again, it is the table."""

import tomllib

import pytest

from config.library import shipped
from daemon.storage.sound_text import text_of


@pytest.mark.parametrize("name", list(shipped()))
def test_read_again_the_text_of_a_sound_is_its_table(name: str) -> None:
    table = shipped()[name].model_dump(exclude_unset=True)
    text = text_of(table, ["A remark."])
    assert tomllib.loads(text) == table
    assert text.startswith("# A remark.\n")
