"""`partiald check`: every setting with its value and its origin, or the faults."""

import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from config.layers import DEFAULT_PATHS
from config.library import OWNER_FOLDERS, SHIPPED, shipped
from config.settings import Settings
from tests.support.command import ROOT, command, environment

pytestmark = pytest.mark.gig

MINE = """
polyphony = 8
[controller]
name = "Cargo Bike Keys 25"
channels = [1, 10]
[sound]
name = "tower-bell"
programs = ["sine", "tower-bell"]
[[bindings]]
control = 20
target = "partial"
partial = 3
low = -48.0
"""


def check(*words: object) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(
        command(*words) if words[:1] == ("--settings",) else command("check", *words),
        cwd=ROOT,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def rows(out: str) -> list[tuple[str, ...]]:
    """Return every line's key, value and origin; of a list's further lines only the last two."""
    found = [re.fullmatch(r"(?:(\S+) = | )? *(.*?) +# (.*)", line) for line in out.splitlines()]
    return [match.groups("") for match in found if match]


def refuse(done: "subprocess.CompletedProcess[str]", *faults: str) -> None:
    assert (done.returncode, done.stdout) == (78, "")
    assert done.stderr.splitlines() == [f"partiald: {fault}" for fault in faults]


@pytest.fixture
def mine(tmp_path: Path) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(MINE)
    return path


def test_a_file_in_place_of_all_others_is_reported_row_by_row(mine: Path) -> None:
    done = check("--settings", mine, "check")
    assert (done.returncode, done.stderr) == (0, "")
    table = rows(done.stdout)
    assert len(table) == len(done.stdout.splitlines())
    assert ("polyphony", "8", str(mine)) in table
    assert ("controller.name", '"Cargo Bike Keys 25"', str(mine)) in table
    assert ("controller.channels", "[1, 10]", str(mine)) in table
    assert ("controller.fixed_velocity", "0", "default") in table
    assert ("sound.programs", '["sine", "tower-bell"]', str(mine)) in table
    assert ("level.volume_db", "0.0", "default") in table
    assert ("bindings", "[", str(mine)) in table
    binding = '{ control = 20, target = "partial", partial = 3, low = -48.0 },'
    assert ("", binding, str(mine)) in table


def test_every_setting_has_its_row(mine: Path) -> None:
    told = {row[0] for row in rows(check("--settings", mine, "check").stdout)} - {""}
    plain = Settings().model_dump()
    expected = {
        f"{table}.{key}" if isinstance(inside, dict) else table
        for table, inside in plain.items()
        for key in (inside if isinstance(inside, dict) else [""])
    }
    assert told == expected


def test_what_it_prints_is_a_settings_file_that_means_the_same(tmp_path: Path, mine: Path) -> None:
    mine.write_text(f"{MINE}[report]\nwrite = true\n[sound.banks]\n3 = ['sine']\n")
    for path in (mine, tmp_path / "empty.toml"):
        path.touch()
        printed = check("--settings", path, "check").stdout
        assert max(len(line.split("  #")[0]) for line in printed.splitlines()) < 80
        told = Settings.model_validate(tomllib.loads(printed))
        assert told == Settings.model_validate(tomllib.loads(path.read_text()))
    assert "report.write = true " in check("--settings", mine, "check").stdout


def test_the_columns_are_aligned(mine: Path) -> None:
    lines = check("--settings", mine, "check").stdout.splitlines()
    ends = [re.search(r"  # (default|/\S+)$", line) for line in lines]
    assert all(ends)
    assert len({end.start(1) for end in ends if end}) == 1


def test_without_a_file_everything_in_force_is_shown() -> None:
    done = check()
    assert (done.returncode, done.stderr) == (0, "")
    assert "polyphony" in done.stdout
    origins = {row[2] for row in rows(done.stdout)}
    assert origins <= {"default", *map(str, DEFAULT_PATHS)}
    if not any(path.exists() for path in (*DEFAULT_PATHS, *OWNER_FOLDERS)):
        assert origins == {"default"}


def test_an_empty_file_is_all_defaults(tmp_path: Path) -> None:
    (tmp_path / "empty.toml").touch()
    done = check("--settings", tmp_path / "empty.toml", "check")
    assert {row[2] for row in rows(done.stdout)} == {"default"}
    assert ("", '{ control = 74, target = "tilt" },', "default") in rows(done.stdout)


def test_no_bindings_are_an_empty_list(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("bindings = []")
    done = check("--settings", tmp_path / "mine.toml", "check")
    assert ("bindings", "[]", str(tmp_path / "mine.toml")) in rows(done.stdout)


def test_one_settings_file_is_looked_over(mine: Path) -> None:
    done = check(mine)
    assert (done.returncode, done.stderr) == (0, "")
    assert ("polyphony", "8", str(mine)) in rows(done.stdout)
    assert done.stdout.endswith(f"\n# {mine}: settings: no fault\n")


def test_one_sound_file_is_looked_over() -> None:
    bell = shipped()["tower-bell"].count
    for name, count in (("tower-bell", f"{bell} partials"), ("sine", "1 partial")):
        path = SHIPPED / f"{name}.toml"
        done = check(path)
        assert (done.returncode, done.stderr) == (0, "")
        assert done.stdout == f"{path}: a sound, {count}: no fault\n"


def test_the_faults_of_a_settings_file_are_reported_at_once(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("polyphony = 0\n[levels]\n[sound]\nname = 'sinus'\n")
    faults = (
        f"{path}: line 1: polyphony = 0: must be 1 to 256",
        f"{path}: line 2: levels: unknown key; did you mean 'level'?",
        f"{path}: line 4: sound.name = \"sinus\": no such sound; did you mean 'sine'?",
    )
    refuse(check(path), *faults)
    refuse(check("--settings", path, "check"), *faults)


def test_the_faults_of_a_sound_file_are_reported_even_without_its_title(tmp_path: Path) -> None:
    path = tmp_path / "barrel.toml"
    path.write_text("about = 'A barrel organ.'\n[partials]\ncount = 200\n")
    refuse(
        check(path),
        f"{path}: title: must be given",
        f"{path}: partials.count = 200: must be 0 to 128",
    )


@pytest.mark.parametrize("how", [("check",), ("--settings",)])
def test_a_file_that_is_none_is_reported(tmp_path: Path, how: tuple[str, ...]) -> None:
    def look_over(path: Path) -> "subprocess.CompletedProcess[str]":
        return check(path) if how == ("check",) else check("--settings", path, "check")

    refuse(look_over(tmp_path / "gone.toml"), f"{tmp_path}/gone.toml: no such file")
    refuse(look_over(tmp_path), f"{tmp_path}: is a folder, not a file")
    (tmp_path / "syntax.toml").write_text("# mine\npolyphony = \u201c8\u201d\n")
    refuse(
        look_over(tmp_path / "syntax.toml"),
        f'{tmp_path}/syntax.toml: line 2: \u201c is a curly quote; type ": '
        "polyphony = \u201c8\u201d",
    )


def test_a_settings_file_with_a_sounds_key_is_one_of_settings(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text("polyphony = 8\ntitle = 'Mine'\n")
    refuse(check(path), f"{path}: line 2: title: unknown key")


def test_a_sound_with_a_key_that_settings_have_is_a_sound(tmp_path: Path) -> None:
    path = tmp_path / "barrel.toml"
    path.write_text("title = 'B'\nabout = 'b'\nlevel = 3\n[partials]\ncount = 2\n")
    refuse(check(path), f"{path}: level: unknown key; did you mean 'level_db'?")


def test_a_file_among_the_sounds_without_any_key_is_a_sound(tmp_path: Path) -> None:
    path = tmp_path / "sounds" / "barrel.toml"
    path.parent.mkdir()
    path.touch()
    refuse(check(path), f"{path}: title: must be given", f"{path}: about: must be given")
    path.write_text("polyphony = 8")
    assert check(path).stdout.endswith(f"# {path}: settings: no fault\n")


@pytest.mark.parametrize("words", [("check", "/dev/stdin"), ("--settings", "/dev/stdin", "check")])
def test_a_pipe_is_read_once(words: tuple[str, ...]) -> None:
    for text, code, told in (("polyphony = 3", 0, "3"), ("polyphony = 0", 78, "must be 1 to")):
        done = subprocess.run(
            command(*words),
            cwd=ROOT,
            env=environment(),
            input=text,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == code
        assert told in (done.stdout + done.stderr).splitlines()[0]


def test_a_files_name_keeps_to_its_line(tmp_path: Path) -> None:
    path = tmp_path / "a\nb\x1b.toml"
    path.write_text("polyphony = 8")
    lines = check(path).stdout.splitlines()
    assert lines[-1] == f"# {tmp_path}/a\\nb\\x1b.toml: settings: no fault"
    assert lines[0].endswith(f" {tmp_path}/a\\nb\\x1b.toml")


def test_a_value_keeps_to_its_row(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('controller.name = "Bike\\n\'s \\"Keys\\""\nsound.programs = ["sine"]\n')
    table = rows(check("--settings", path, "check").stdout)
    assert ("controller.name", '"Bike\\n\'s \\"Keys\\""', str(path)) in table
    assert ("sound.programs", '["sine"]', str(path)) in table


def test_looking_over_changes_nothing(mine: Path) -> None:
    before = (mine.read_bytes(), mine.stat().st_mtime_ns)
    check(mine)
    assert (mine.read_bytes(), mine.stat().st_mtime_ns) == before
    assert list(mine.parent.iterdir()) == [mine]
