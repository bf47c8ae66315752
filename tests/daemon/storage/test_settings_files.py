"""Where settings and sounds are read from, and what counts as an edit."""

from pathlib import Path

import pytest

from config import library
from config.settings import Settings
from daemon.storage.last_good import LastGood
from daemon.storage.settings_files import SettingsFiles


class Files:
    """An owner's file, the boot partition's, and a folder of sounds."""

    def __init__(self, folder: Path, only: Path | None = None) -> None:
        self.owner, self.boot = folder / "owner.toml", folder / "boot.toml"
        self.sounds = folder / "sounds"
        self.sounds.mkdir(exist_ok=True)
        layers = [self.owner, folder / "learned.toml", self.boot]
        kept = LastGood(None, folder / "last-good.json")
        self.files = SettingsFiles(only, [self.sounds], kept, layers)


@pytest.fixture
def made(tmp_path: Path) -> Files:
    return Files(tmp_path)


def own_sound(made: Files, name: str = "street-organ") -> Path:
    path = made.sounds / f"{name}.toml"
    path.write_text((Path(library.__file__).parent / "sounds/sine.toml").read_text())
    return path


def test_a_file_that_is_named_stands_for_all_layers(tmp_path: Path) -> None:
    only = tmp_path / "only.toml"
    made = Files(tmp_path, only)
    made.owner.write_text("polyphony = 7\n")
    only.write_text("[tuning]\na4_hz = 415.0\n")
    loaded = made.files.load()
    assert loaded.settings == Settings.model_validate({"tuning": {"a4_hz": 415.0}})
    assert loaded.files == [str(only)]
    assert made.files.folders == [tmp_path, made.sounds]
    before = made.files.stamp()
    made.owner.write_text("polyphony = 17\n")
    assert made.files.stamp() == before


def test_a_sound_that_nobody_has_is_a_fault_in_a_layer_and_in_a_file_alone(tmp_path: Path) -> None:
    text = '[sound]\nname = "cow-bell"\n'
    for only in (None, tmp_path / "only.toml"):
        made = Files(tmp_path, only)
        (only or made.owner).write_text(text)
        (fault,) = made.files.load().faults
        assert "cow-bell" in fault


def test_only_sounds_of_the_owners_own_travel_beside_the_shipped_ones(made: Files) -> None:
    assert made.files.load().sounds == {}
    own_sound(made)
    assert set(made.files.load().sounds) == {"street-organ"}


def test_a_sound_that_comes_is_an_edit_and_another_file_is_none(made: Files) -> None:
    before = made.files.stamp()
    (made.sounds / "notes.txt").write_text("bells, horns")
    assert made.files.stamp() == before
    own_sound(made)
    assert made.files.stamp() != before


def test_each_change_that_the_kernel_reports_is_an_edit(made: Files) -> None:
    stamps = [made.files.stamp()]
    for path in (made.owner, made.sounds / "bell.toml", made.owner):
        made.files.note_changes({path})
        assert made.files.stamp() not in stamps
        stamps.append(made.files.stamp())


def test_layers_that_are_valid_alone_and_not_together_are_reported_and_the_defaults_play(
    made: Files,
) -> None:
    made.owner.write_text("[controller]\nmode = 2\nbasic_channel = 3\n")
    assert made.files.load().faults == []
    made.boot.write_text("[controller]\nbasic_channel = 0\n")
    loaded = made.files.load()
    assert (loaded.settings, loaded.origins) == (Settings(), {})
    assert len(loaded.faults) == 1
    assert "must be 3 or 4 without a basic_channel" in loaded.faults[0]


def test_faulty_sounds_and_misnamed_files_are_remarked_on_together(made: Files) -> None:
    (made.sounds / "cracked.toml").write_text("partials = 3\n")
    made.boot.with_name("boot.toml.txt").write_text("")
    remarks = made.files.load().remarks
    assert any("cracked" in line for line in remarks)
    assert any("take '.txt' off its name" in line for line in remarks)
