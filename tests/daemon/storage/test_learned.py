"""The sound chosen last, over a power-off."""

from pathlib import Path

import pytest

from config.bindings import Binding
from config.layers import BOOT, OWNER
from config.settings import Settings
from daemon.midi.channel_state import ChannelState
from daemon.storage.deferred_writes import Compose, DeferredWrites
from daemon.storage.last_good import LastGood
from daemon.storage.learned import KEY, NAME, LearnedFile
from daemon.storage.settings_files import SettingsFiles

REED, BELL = 1, 7
"""Programs, from 0, of the settings' defaults."""


class Box:
    """Settings files, pauses, controllers; and what is learned."""

    def __init__(self, folder: Path) -> None:
        self.owner, self.place = folder / "owner.toml", folder / "learned.toml"
        self.pauses, self.chase = DeferredWrites(), ChannelState()
        layers = [self.owner, self.place, folder / "boot.toml"]
        kept = LastGood(None, folder / "last-good.json")
        self.files = SettingsFiles(None, [], kept, layers)
        self.loaded = self.files.load()
        self.settings = self.loaded.settings
        self.learned = LearnedFile(self.pauses.request, self.files.own_write, self.place)

    def choose(self, program: int, channel: int = 0, bank: int = 0) -> None:
        self.chase.record((0xB0 | channel, 32, bank), 0)
        self.chase.record((0xC0 | channel, program), 0)
        self.look()

    def look(self) -> None:
        self.learned.keep_sound(self.chase.programs(), self.settings, self.loaded.origins)

    def again(self, folder: Path) -> Settings:
        """Switch off in a pause and on again."""
        self.pauses.flush()
        return Box(folder).settings


def test_the_sound_chosen_last_is_there_at_the_next_power_on(tmp_path: Path) -> None:
    box = Box(tmp_path)
    box.choose(BELL)
    box.choose(REED)
    assert box.again(tmp_path).sound.name == "reed-organ"
    box = Box(tmp_path)
    assert box.loaded.origins[KEY] == str(box.place)
    box.choose(BELL)
    assert box.again(tmp_path).sound.name == "tower-bell"


def test_nothing_is_written_while_nothing_else_is_chosen(tmp_path: Path) -> None:
    box = Box(tmp_path)
    box.look()
    box.choose(0)
    assert box.pauses.pending == []
    box.choose(BELL)
    assert box.pauses.pending == [NAME]
    box.pauses.flush()
    box.choose(BELL)
    assert box.pauses.pending == []


def test_a_sound_that_the_owner_named_stays(tmp_path: Path) -> None:
    (tmp_path / "owner.toml").write_text('[sound]\nname = "sine"\n')
    box = Box(tmp_path)
    box.choose(BELL)
    assert box.pauses.pending == []
    assert box.again(tmp_path).sound.name == "sine"


@pytest.mark.parametrize(("program", "channel", "bank"), [(REED, 1, 0), (99, 0, 0)])
def test_channels_that_disagree_and_programs_without_a_sound_choose_nothing(
    tmp_path: Path, program: int, channel: int, bank: int
) -> None:
    box = Box(tmp_path)
    box.chase.record((0xC0, BELL), 0)
    box.choose(program, channel, bank)
    assert box.pauses.pending == []


def test_a_bank_of_the_settings_is_understood(tmp_path: Path) -> None:
    (tmp_path / "owner.toml").write_text('[sound.banks]\n2 = ["sine"]\n')
    box = Box(tmp_path)
    box.choose(0, bank=2)
    assert box.again(tmp_path).sound.name == "sine"


def test_what_is_written_is_no_edit_and_what_else_was_learned_stays(tmp_path: Path) -> None:
    box = Box(tmp_path)
    box.place.write_text('[[bindings]]\ncontrol = 20\ntarget = "tilt"\nlow = -3.0\n')
    box = Box(tmp_path)
    before = box.files.stamp()
    for program in (BELL, REED):
        box.choose(program)
        box.pauses.flush()
        assert box.files.stamp() == before
    settings = Box(tmp_path).settings
    assert (settings.sound.name, settings.bindings[0].control) == ("reed-organ", 20)
    box.place.write_text("[sound]\n")
    assert box.files.stamp() != before


def test_forgotten_bindings_leave_the_owners_and_the_chosen_sound(tmp_path: Path) -> None:
    owner, place, waiting = tmp_path / "owner", tmp_path / "learned.toml", list[Compose]()
    owner.write_text("[[bindings]]\ncontrol = 20\ntarget = 'tilt'\n")
    learned = LearnedFile(lambda _, compose: waiting.append(compose), path=place)
    place.write_text('sound = { name = "sine" }\n')
    learned.keep_bindings([Binding(control=21, target="volume")], owner)
    back = learned.forget_bindings(owner)
    assert back == [Binding(control=20, target="tilt")]
    waiting[0]()()
    assert "bindings" in place.read_text()
    waiting[1]()()
    assert "bindings" not in place.read_text()
    assert "sine" in place.read_text()
    owner.unlink()
    assert learned.forget_bindings(owner) == Settings().bindings


def test_but_for_the_key_that_changes_every_line_stays_to_the_byte(tmp_path: Path) -> None:
    box = Box(tmp_path)
    box.owner.write_bytes(b"# mine\r\npolyphony = 9  # nine\r\n")
    box.learned.keep_bindings([Binding(control=21, target="rank", rank=2)], box.owner)
    box.choose(BELL)
    box.pauses.flush()
    before = box.place.read_bytes().splitlines(keepends=True)
    for reed in (True, False):
        if reed:
            box.choose(REED)
        else:
            box.learned.keep_bindings([Binding(control=22, target="tilt")], box.owner)
        box.pauses.flush()
        after = box.place.read_bytes().splitlines(keepends=True)
        assert len([line for line in after if line not in before]) == 1
        before = after
    assert box.owner.read_bytes() == b"# mine\r\npolyphony = 9  # nine\r\n"


def test_deleting_what_was_learned_is_an_edit(tmp_path: Path) -> None:
    box = Box(tmp_path)
    before = box.files.stamp()
    box.choose(BELL)
    box.pauses.flush()
    assert box.files.stamp() == before
    box.place.unlink()
    assert box.files.stamp() != before


def test_what_is_learned_lasts_only_where_it_can_be_kept_and_no_other_file_overrides_it(
    tmp_path: Path,
) -> None:
    here = LearnedFile(lambda *_: None, path=tmp_path / "learned.toml")
    assert here.lasts("bindings", {})
    assert here.lasts("bindings", {"bindings": str(OWNER)})
    assert not here.lasts("bindings", {"bindings": str(BOOT)})
    assert here.overridden_by("bindings", {"bindings": str(BOOT)}) == str(BOOT)
    assert here.overridden_by("bindings", {"bindings": str(OWNER)}) == ""
    nowhere = LearnedFile(lambda *_: None, path=tmp_path / "gone" / "learned.toml")
    assert not nowhere.lasts("bindings", {})


def test_while_the_learned_file_is_written_nothing_counts_as_an_edit(tmp_path: Path) -> None:
    box = Box(tmp_path)
    before = box.files.stamp()
    write = box.files.own_write(box.place, lambda: None)
    box.place.write_text("[sound]\n")
    assert box.files.stamp() == before
    write()
    assert box.files.stamp() == before
    box.place.write_text("[sound]\n\n")
    assert box.files.stamp() != before
