"""When edited files are read again."""

import pytest

from config.settings import Settings
from daemon.keeper.settings_watch import SETTLED_US, SettingsWatch, changes
from daemon.storage.settings_files import LoadedSettings


class Editor:
    """Files whose stamp is what the test says."""

    def __init__(self) -> None:
        self.now: object = "b"

    def load(self) -> LoadedSettings:
        return LoadedSettings(Settings())

    def stamp(self) -> object:
        return self.now


@pytest.mark.parametrize("stamp", ["a", "c", None])
def test_an_edit_is_read_once_it_has_settled_whatever_its_stamp(stamp: object) -> None:
    editor = Editor()
    watch = SettingsWatch(editor)
    assert watch.load()[1]
    assert not watch.edited(0)
    editor.now = stamp
    assert not watch.edited(1_000)
    assert not watch.edited(1_000 + SETTLED_US - 1)
    assert watch.edited(1_000 + SETTLED_US)
    assert watch.load()[1]
    assert not watch.edited(1_000 + 2 * SETTLED_US)
    assert not watch.load()[1]


def test_an_edit_that_goes_on_is_waited_for_and_one_that_is_taken_back_is_none() -> None:
    editor = Editor()
    watch = SettingsWatch(editor)
    watch.load()
    for number in range(10):
        editor.now = str(number)
        assert not watch.edited(number * SETTLED_US)
    editor.now = "b"
    assert not any(watch.edited((10 + number) * SETTLED_US) for number in range(5))


def test_the_line_on_new_settings_names_what_differs_and_whether_the_card_is_reopened() -> None:
    old = Settings()
    assert changes(old, Settings()) == ""
    assert changes(old, Settings(polyphony=3)) == "; new: polyphony = 3"
    new = Settings.model_validate({"audio": {"block_frames": 256}})
    assert changes(old, new) == "; new: audio.block_frames = 256; the sound card is reopened"
