"""Layers of settings: which overrides which, where a value is from, and layers with faults."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.layers import InForce, load, load_file, load_forgiving
from config.settings import Settings
from config.toml.faults import ConfigError

SOUNDS = ("market-organ", "sine", "tower-bell")


class Files:
    """The usual files: the owner's, the learned one, the boot partition's."""

    def __init__(self, folder: Path) -> None:
        names = ("owner", "learned", "boot")
        self.usual = [folder / f"{name}.toml" for name in names]
        self.owner, self.learned, self.boot = self.usual

    def write(self, *texts: str) -> None:
        """Write the files, lowest first; those without a text are missing."""
        for path in self.usual:
            path.unlink(missing_ok=True)
        for path, text in zip(self.usual, texts, strict=False):
            path.write_text(text)

    def load(self) -> InForce:
        return load(None, SOUNDS, self.usual)

    def load_forgiving(self) -> tuple[InForce, list[str]]:
        return load_forgiving(None, SOUNDS, self.usual)

    def faults(self) -> list[str]:
        with pytest.raises(ConfigError) as caught:
            self.load()
        return caught.value.faults


@pytest.fixture
def files(tmp_path: Path) -> Files:
    return Files(tmp_path)


@pytest.mark.parametrize("texts", [["", "", ""], []])
def test_empty_and_missing_layers_leave_the_defaults(files: Files, texts: list[str]) -> None:
    files.write(*texts)
    in_force = files.load()
    assert in_force.settings == Settings()
    assert in_force.origins == {}
    assert list(in_force.overridden) == []


def test_a_later_layer_overrides_an_earlier_one_key_by_key(files: Files) -> None:
    files.write(
        "polyphony = 8\n[level]\nvolume_db = -3.0\nceiling_db = -2.0\n",
        "[level]\nvolume_db = -6.0\n[instead_of]\n'level.volume_db' = -3.0\n",
        "polyphony = 4\n[tuning]\na4_hz = 442\n",
    )
    in_force = files.load()
    mine = in_force.settings
    assert (mine.polyphony, mine.level.volume_db) == (4, -6.0)
    assert (mine.level.ceiling_db, mine.tuning.a4_hz) == (-2.0, 442.0)
    assert in_force.origins == {
        "polyphony": str(files.boot),
        "level.volume_db": str(files.learned),
        "level.ceiling_db": str(files.owner),
        "tuning.a4_hz": str(files.boot),
    }


def test_an_edit_that_a_later_layer_overrides_is_reported(files: Files) -> None:
    files.write("polyphony = 8\n[level]\nvolume_db = -3.0\n", "", "polyphony = 4\n")
    assert files.load().overridden == [f"{files.owner}: polyphony: overridden by {files.boot}"]


def test_layers_that_agree_tell_nothing(files: Files) -> None:
    files.write("polyphony = 8\n", "", "polyphony = 8\n")
    in_force = files.load()
    assert list(in_force.overridden) == []
    assert in_force.origins == {"polyphony": str(files.boot)}


def test_a_list_replaces_the_whole_list_below(files: Files) -> None:
    files.write(
        "[[bindings]]\ncontrol = 1\ntarget = 'tilt'\n"
        "[[bindings]]\ncontrol = 2\ntarget = 'volume'\n",
        "",
        "[[bindings]]\ncontrol = 3\ntarget = 'attack'\n",
    )
    assert [binding.control for binding in files.load().settings.bindings] == [3]
    files.write("", "", "bindings = []")
    assert files.load().settings.bindings == []


def test_every_fault_of_every_layer_is_reported(files: Files) -> None:
    files.write(
        "polyphony = 0\n[sound]\nname = 'sin'\n", "polyphony =", "[audio]\nsample_rate = 8000\n"
    )
    assert files.faults() == [
        f"{files.owner}: line 1: polyphony = 0: must be 1 to 256",
        f"{files.owner}: line 3: sound.name = \"sin\": no such sound; did you mean 'sine'?",
        f"{files.learned}: line 1: a value is missing after =: polyphony =",
        f"{files.boot}: line 2: audio.sample_rate = 8000: must be 0, or 22050 to 192000",
    ]


def test_a_faulty_layer_is_left_out_whole_and_the_others_play(files: Files) -> None:
    files.write(
        "polyphony = 8\n[level]\nvolume_db = -3.0\n",
        "",
        "polyphony = 4\n[level]\nvolume_db = 99.0\n",
    )
    in_force, faults = files.load_forgiving()
    assert faults == [f"{files.boot}: line 3: level.volume_db = 99.0: must be -80 to 12"]
    assert (in_force.settings.polyphony, in_force.settings.level.volume_db) == (8, -3.0)
    assert set(in_force.origins.values()) == {str(files.owner)}
    assert list(in_force.overridden) == []


def test_with_every_layer_faulty_the_defaults_play(files: Files) -> None:
    files.write("polyphony =", "x = 1", "")
    files.boot.write_bytes(b"\xff\xfe")
    in_force, faults = files.load_forgiving()
    assert in_force.settings == Settings()
    assert [fault.partition(": ")[0] for fault in faults] == [
        str(files.owner),
        str(files.learned),
        str(files.boot),
    ]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[sound]\nname = 'kazoo'", 'sound.name = "kazoo": no such sound'),
        (
            "[sound]\nname = 'Tower-Bel'",
            "sound.name = \"Tower-Bel\": no such sound; did you mean 'tower-bell'?",
        ),
        (
            "[sound]\nprograms = ['sine', 'sinus', '']",
            "sound.programs[2] = \"sinus\": no such sound; did you mean 'sine'?",
        ),
        (
            "[sound]\nbanks = { 3 = ['sine', 'sinus'] }",
            "sound.banks.3[2] = \"sinus\": no such sound; did you mean 'sine'?",
        ),
        (
            "[[zones]]\nsound = 'sinus'",
            "zones[1].sound = \"sinus\": no such sound; did you mean 'sine'?",
        ),
    ],
)
def test_a_sound_that_does_not_exist_is_reported(files: Files, text: str, fault: str) -> None:
    files.write(text)
    assert files.faults()[0] == f"{files.owner}: line 2: {fault}"


def test_every_sound_that_does_not_exist_is_reported_at_once(files: Files) -> None:
    text = "name = 'a'\nprograms = ['sine', 'b']\nbanks = { 3 = ['c'], 4 = ['sine', 'sine', 'd'] }"
    files.write(f"[sound]\n{text}")
    found = [fault.split(": ")[2].split(" = ")[0] for fault in files.faults()]
    assert found == ["sound.name", "sound.programs[2]", "sound.banks.3[1]", "sound.banks.4[3]"]


def test_without_a_list_of_sounds_their_names_are_not_looked_at(files: Files) -> None:
    files.write("[sound]\nname = 'kazoo'")
    assert load([files.owner]).settings.sound.name == "kazoo"


LEARNED = """
[level]
volume_db = -12.0
[sound]
name = "tower-bell"
[instead_of]
"level.volume_db" = -3.0
"""


def test_a_learned_value_holds_while_the_owners_file_says_the_same(files: Files) -> None:
    files.write("[level]\nvolume_db = -3.0\n", LEARNED)
    in_force = files.load()
    assert in_force.settings.level.volume_db == -12.0
    assert in_force.settings.sound.name == "tower-bell"
    assert in_force.origins["sound.name"] == str(files.learned)


def test_a_learned_volume_is_never_above_the_owners_or_the_default(files: Files) -> None:
    learned = "[level]\nvolume_db = 3.0\n[sound]\nname = 'tower-bell'\n[instead_of]\n"
    files.write("", learned)
    assert files.load().settings.level.volume_db == Settings().level.volume_db
    assert files.load().settings.sound.name == "tower-bell"
    files.write("[level]\nvolume_db = -6.0\n", learned + "'level.volume_db' = -6.0\n")
    assert files.load().settings.level.volume_db == -6.0
    files.write("[level]\nvolume_db = 6.0\n", learned + "'level.volume_db' = 6.0\n")
    assert files.load().settings.level.volume_db == 3.0


def test_a_learned_value_yields_to_a_later_edit(files: Files) -> None:
    files.write("[level]\nvolume_db = -4.0\n[sound]\nname = 'sine'\n", LEARNED)
    in_force = files.load()
    assert in_force.settings.level.volume_db == -4.0
    assert in_force.settings.sound.name == "sine"
    assert set(in_force.origins.values()) == {str(files.owner)}


def test_a_learned_value_yields_when_the_owner_takes_the_line_out(files: Files) -> None:
    files.write("", LEARNED)
    in_force = files.load()
    assert in_force.settings.level.volume_db == Settings().level.volume_db
    assert in_force.settings.sound.name == "tower-bell"


def test_the_boot_partition_overrides_what_was_learned(files: Files) -> None:
    files.write("[level]\nvolume_db = -3.0\n", LEARNED, "[level]\nvolume_db = 1.0\n")
    assert files.load().settings.level.volume_db == 1.0


def test_the_owners_values_may_stand_in_tables_of_their_own(files: Files) -> None:
    files.write(
        "[level]\nvolume_db = -3.0\n",
        "level.volume_db = -12.0\n[instead_of.level]\nvolume_db = -3.0\n",
    )
    assert files.load().settings.level.volume_db == -12.0


def test_learned_bindings_yield_to_the_owners(files: Files) -> None:
    learned = "[[bindings]]\ncontrol = 20\ntarget = 'volume'\n"
    files.write("", learned)
    assert [each.control for each in files.load().settings.bindings] == [20]
    files.write("[[bindings]]\ncontrol = 1\ntarget = 'tilt'\n", learned)
    assert [each.control for each in files.load().settings.bindings] == [1]


def test_what_is_never_learned_is_a_fault_in_the_learned_file(files: Files) -> None:
    files.write("", "polyphony = 4\n[level]\nvolume_db = -12.0\nceiling_db = -20.0\n")
    assert files.faults() == [
        f"{files.learned}: polyphony: cannot be learned; set it in your own file",
        f"{files.learned}: level.ceiling_db: cannot be learned; set it in your own file",
    ]


def test_only_the_learned_file_says_what_it_stands_instead_of(files: Files) -> None:
    files.write(LEARNED)
    assert files.faults() == [f"{files.owner}: line 6: instead_of: unknown key"]


def test_a_faulty_learned_file_is_reported(files: Files) -> None:
    files.write("", "instead_of = 3\n")
    assert files.faults() == [f"{files.learned}: instead_of = 3: must be a table"]
    files.write("", "[level]\nvolume_db = 99.0\n[instead_of]\n")
    assert files.faults() == [f"{files.learned}: line 2: level.volume_db = 99.0: must be -80 to 12"]


def test_a_usual_file_that_cannot_be_read_is_reported(files: Files) -> None:
    files.write("polyphony = 8")
    files.boot.mkdir()
    in_force, faults = files.load_forgiving()
    assert faults == [f"{files.boot}: is a folder, not a file"]
    assert in_force.settings.polyphony == 8


def test_a_usual_file_whose_folder_cannot_be_looked_into_is_reported(tmp_path: Path) -> None:
    path = tmp_path / ("x" * 300) / "boot.toml"
    in_force, faults = load_forgiving(usual=[path])
    assert faults == [f"{path}: can't be read: File name too long"]
    assert in_force.settings == Settings()


def test_a_file_that_was_named_may_not_be_missing(tmp_path: Path) -> None:
    gone = tmp_path / "gone.toml"
    with pytest.raises(ConfigError) as caught:
        load([gone])
    assert caught.value.faults == [f"{gone}: no such file"]
    with pytest.raises(ConfigError) as caught:
        load_file(gone)
    assert caught.value.faults == [f"{gone}: no such file"]


def test_even_a_usual_file_may_not_be_missing_when_it_was_named(files: Files) -> None:
    files.write()
    with pytest.raises(ConfigError) as caught:
        load_file(files.owner, usual=files.usual)
    assert caught.value.faults == [f"{files.owner}: no such file"]


def test_one_file_stands_for_all_layers(files: Files, tmp_path: Path) -> None:
    files.write("polyphony = 8", "", "polyphony = 4")
    mine = tmp_path / "mine.toml"
    mine.write_text("[level]\nvolume_db = -3.0\n")
    in_force = load_file(mine)
    assert in_force.origins == {"level.volume_db": str(mine)}
    assert in_force.settings.polyphony == Settings().polyphony


def test_a_file_is_read_once_so_that_it_may_be_a_pipe() -> None:
    reading, writing = os.pipe()
    os.write(writing, b"polyphony = 3\n")
    os.close(writing)
    try:
        assert load_file(Path(f"/dev/fd/{reading}")).settings.polyphony == 3
    finally:
        os.close(reading)


def test_a_file_whose_text_is_known_is_not_read_again(tmp_path: Path) -> None:
    gone = tmp_path / "gone.toml"
    in_force = load_file(gone, text="polyphony = 3\n")
    assert in_force.settings.polyphony == 3
    assert in_force.origins == {"polyphony": str(gone)}


def test_the_learned_file_alone_says_all_that_was_learned(files: Files) -> None:
    files.write("[level]\nvolume_db = 1.0\n", LEARNED)
    learned = load_file(files.learned, SOUNDS, files.usual).settings
    assert (learned.level.volume_db, learned.sound.name) == (-12.0, "tower-bell")


def test_a_learned_file_deeper_than_the_stack_is_no_fault(files: Files) -> None:
    files.write("", f"{LEARNED}{'.'.join('a' * 5000)} = 1\n")
    in_force, faults = files.load_forgiving()
    assert faults == []
    assert in_force.settings.sound.name == "tower-bell"


PARTS = st.sampled_from(
    [
        *("polyphony", "level", "volume_db", "sound", "name", "bindings", "instead_of"),
        *("=", " = ", ".", "[", "]", "[[", "]]", "{", "}", ",", "#", "\n", "\x00", "\u2212"),
        *("'sine'", "8", "-3.0"),
    ]
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(PARTS, max_size=12).map("".join), min_size=3, max_size=3))
def test_whatever_the_files_hold_something_plays(files: Files, texts: list[str]) -> None:
    files.write(*texts)
    in_force, faults = files.load_forgiving()
    assert 1 <= in_force.settings.polyphony <= 256
    assert all(fault.startswith(f"{files.owner.parent}/") for fault in faults)


@pytest.mark.parametrize("where", ["owner", "boot"])
def test_with_remember_nothing_what_was_learned_does_not_count(files: Files, where: str) -> None:
    learned = '[sound]\nname = "sine"\n'
    files.write("", learned, "")
    assert files.load().settings.sound.name == "sine"
    nothing = 'remember = "nothing"\n'
    files.write(*((nothing, learned, "") if where == "owner" else ("", learned, nothing)))
    in_force = files.load()
    assert in_force.settings.sound.name == Settings().sound.name
    assert str(files.learned) not in in_force.origins.values()
    files.write(nothing, "[sound]\nname = 3\n", "")
    assert files.load_forgiving()[1] == [], "nor do its faults"
