import selectors
from collections.abc import Iterator
from pathlib import Path

import pytest

from config.toml.files import write_atomic
from daemon.linux.inotify import DirectoryWatch


@pytest.fixture
def watch(tmp_path: Path) -> Iterator[DirectoryWatch]:
    made = DirectoryWatch([tmp_path, tmp_path / "snd"])
    yield made
    made.close()


def woken(watch: DirectoryWatch) -> bool:
    with selectors.DefaultSelector() as selector:
        selector.register(watch, selectors.EVENT_READ)
        return bool(selector.select(0.0))


def test_it_wakes_when_something_comes_goes_or_is_written(
    watch: DirectoryWatch, tmp_path: Path
) -> None:
    settings = tmp_path / "partiald.toml"
    assert not woken(watch)
    for act in (
        lambda: settings.write_text("polyphony = 8\n"),
        lambda: settings.write_text("polyphony = 9\n"),
        lambda: write_atomic(settings, "polyphony = 7\n"),
        lambda: settings.chmod(0o600),
        settings.unlink,
    ):
        act()
        assert woken(watch)
        assert settings in watch.changed()
        assert not woken(watch)


def test_a_folder_that_comes_later_and_comes_again_is_watched(
    watch: DirectoryWatch, tmp_path: Path
) -> None:
    for _ in range(3):
        (tmp_path / "snd").mkdir()
        assert tmp_path / "snd" in watch.changed()
        node = tmp_path / "snd/midiC1D0"
        node.touch()
        assert node in watch.changed()
        node.unlink()
        (tmp_path / "snd").rmdir()
        assert {node, tmp_path / "snd"} <= watch.changed()


def test_reading_is_no_change(watch: DirectoryWatch, tmp_path: Path) -> None:
    settings = tmp_path / "partiald.toml"
    settings.touch()
    watch.changed()
    settings.read_text()
    assert not woken(watch)
    assert watch.changed() == set()
