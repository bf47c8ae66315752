"""The house rules, walked in the source itself."""

import ast
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.import_graph import (
    PACKAGES,
    ROOT,
    circles,
    graph,
    imported,
    parsed,
    reached,
    sources,
)

STANDS_ON: dict[str, set[str]] = {
    "daemon.__main__": {"daemon.command_line"},
    "daemon.manual": {"daemon.command_line"},
    "daemon.command_line": {"daemon.commands", "daemon.sounds_usage"},
    "daemon.sounds_usage": {"daemon.usage_parser"},
    "daemon.commands": {
        *("daemon.keeper", "daemon.shaping", "daemon.listening", "daemon.fault_lines"),
    },
    "daemon.listening": {"daemon.midi"},
    "daemon.shaping": {"daemon.drawing", "daemon.control", "daemon.storage"},
    "daemon.keeper": {"daemon.diagnosis", "daemon.player", "daemon.control"},
    "daemon.control": {"daemon.linux"},
    "daemon.diagnosis": {"daemon.storage", "daemon.player"},
    "daemon.storage": {"daemon.linux"},
    "daemon.drawing": {"daemon.offline"},
    "daemon.offline": {"daemon.player", "voices.analysis"},
    "daemon.player": {"daemon.midi", "daemon.soundcard", "voices.instrument"},
    "daemon.midi": {"daemon.ipc"},
    "daemon.soundcard": {"daemon.ipc"},
    "daemon.ipc": {"daemon.linux"},
    "daemon.linux": {"daemon.errors", "daemon.log", "daemon.key_names"},
    "daemon.key_names": {"voices.instrument"},
    "daemon.log": {"voices.instrument"},
    "daemon.usage_parser": {"daemon.fault_lines"},
    "daemon.fault_lines": {"voices.instrument"},
    "daemon.errors": {"voices.instrument"},
    "voices.instrument": {"voices.receiver", "voices.output"},
    "voices.receiver": {"voices.notes"},
    "voices.notes": {"voices.channels"},
    "voices.output": {"voices.synthesis"},
    "voices.synthesis": {"voices.envelopes", "voices.timbres"},
    "voices.timbres": {"voices.phases"},
    "voices.envelopes": {"voices.phases"},
    "voices.phases": {"voices.modulation"},
    "voices.channels": {"voices.synthesis"},
    "voices.analysis": {"voices.curves"},
    "voices.modulation": {"voices.loudness"},
    "voices.loudness": {"voices.curves"},
    "voices.curves": {"config"},
    "config": {"config.toml"},
    "config.toml": set(),
}
"""The floors: each folder, and each module beside the folders. It may import what it stands on,
and whatever that stands on, and nothing else."""

MOST_MODULES, FEWEST_MODULES = 18, 3
FEW = {
    "config/sounds": "the sounds themselves, no code",
}
"""Folders of fewer modules, and why."""
SHORTEST, LONGEST = 40, 300
SHORT = {
    "daemon.commands.forget": "a command is a module",
    "daemon.commands.panic": "a command is a module",
    "daemon.commands.status": "a command is a module",
}
"""Modules under forty lines that fewer than three others import, and why they stay."""

MAY_IMPORT = {
    "config": {"pydantic", "pydantic_core"},
    "voices": {"numpy", "mido"},
    "daemon": {
        "numpy",
        "mido",
        "rtmidi",
        "sounddevice",
        "pydantic",
        "PIL",
        "rich",
        "textual",
        "tomlkit",
    },
}
"""Libraries, beside Python's own."""
# What a pure package has no business with: clocks, files, threads, processes, signals, sockets.
IMPURE = {
    *("asyncio", "logging", "multiprocessing", "os", "select", "selectors", "shutil", "signal"),
    *("socket", "subprocess", "threading", "time", "tempfile", "pathlib", "io", "mmap", "ctypes"),
}
# Clocks that nobody sets, and waiting, which goes by such a one (clock_nanosleep(2)).
STEADY = {"monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns", "sleep"}
KNOW_THE_TIME = {"boot.py", "readable.py"}

SOURCES = sources()
EDGES = graph(SOURCES)


def named(path: Path) -> str:
    return str(path.relative_to(ROOT))


def of(package: str) -> list[Path]:
    """Return the files of a package, its folders' too."""
    return sorted((ROOT / package).rglob("*.py"))


def floor(module: str) -> str:
    """Return where a module stands: its folder in the house, or itself beside the folders."""
    package, *rest = module.split(".")
    stands_beside = package == "config" and rest[:1] != ["toml"]
    return package if stands_beside else ".".join([package, *rest[:1]])


def libraries(path: Path) -> set[str]:
    """Return the first names of what a file imports."""
    return {name.split(".")[0] for name in imported(path)}


def test_every_folder_has_its_floor_and_every_floor_its_modules() -> None:
    """A walk over a folder that was moved away would find nothing wrong in it."""
    assert {floor(module) for module in EDGES} == set(STANDS_ON)
    for package in PACKAGES:
        assert len(of(package)) > 5
    for module in EDGES:
        assert module.count(".") <= 2, "a folder in a folder"


def test_no_import_runs_up() -> None:
    for module, names in EDGES.items():
        below = reached(STANDS_ON, floor(module)) | {floor(module)}
        assert {name for name in names if floor(name) not in below} == set(), module


def test_no_modules_import_each_other() -> None:
    assert circles(STANDS_ON) == []
    assert circles(EDGES) == []


def test_an_import_is_seen_wherever_it_stands(tmp_path: Path) -> None:
    for package in PACKAGES:
        (tmp_path / package / "inner").mkdir(parents=True)
    for name, text in {
        "config/a.py": "def late():\n    from voices.inner import b\n",
        "voices/inner/b.py": "if TYPE_CHECKING:\n    import daemon.c\n",
        "daemon/c.py": "import_module(f'daemon.inner.{name}')\n",
        "daemon/inner/d.py": "importlib.import_module('config.a')\n",
    }.items():
        (tmp_path / name).write_text(text)
    edges = graph(sources(tmp_path))
    assert circles(edges) == [{"config.a", "voices.inner.b", "daemon.c", "daemon.inner.d"}]


def test_a_folder_is_neither_a_heap_nor_a_closet() -> None:
    counts = Counter(path.parent for path in SOURCES.values() if path.name != "__init__.py")
    for folder in {path.parent for path in SOURCES.values()}:
        assert counts[folder] <= MOST_MODULES, folder
        assert (counts[folder] < FEWEST_MODULES) == (named(folder) in FEW), folder


def test_a_short_module_is_one_that_many_use() -> None:
    users = Counter(name for names in EDGES.values() for name in names)
    short = {
        module
        for module in EDGES
        if len(SOURCES[module].read_text("utf-8").splitlines()) < SHORTEST and users[module] < 3
    }
    assert short == set(SHORT)


@pytest.mark.parametrize("path", SOURCES.values(), ids=named)
def test_imports_go_out_to_what_is_allowed(path: Path) -> None:
    allowed = {*PACKAGES, *MAY_IMPORT[named(path).split("/")[0]], *sys.stdlib_module_names}
    assert libraries(path) <= allowed


@pytest.mark.parametrize("path", of("voices"), ids=named)
def test_the_sound_knows_no_clock_file_thread_or_log(path: Path) -> None:
    assert not libraries(path) & IMPURE
    calls = {
        node.func.id
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "print", "input", "exec", "eval"}


@pytest.mark.parametrize("path", of("daemon"), ids=named)
def test_nothing_waits_by_a_clock_that_can_be_set(path: Path) -> None:
    """A board's clock jumps by years once it finds a network; two modules know the time of day."""
    if path.name in KNOW_THE_TIME:
        return
    tree = parsed(path)
    asked = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id == "time"
    }
    assert asked <= STEADY
    assert "datetime" not in libraries(path)
    assert not any(name.startswith("time.") for name in imported(path))


def top_level(path: Path) -> Iterator[str]:
    """Yield the first names of what a file imports when it is imported itself."""
    for node in parsed(path).body:
        if isinstance(node, ast.Import):
            yield from (each.name.split(".")[0] for each in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield (node.module or "").split(".")[0]


@pytest.mark.parametrize("path", of("daemon"), ids=named)
def test_devices_are_imported_only_where_they_are_used(path: Path) -> None:
    """So that rendering works where the sound and MIDI libraries are missing."""
    assert not {"sounddevice", "rtmidi"} & set(top_level(path))


@pytest.mark.parametrize("path", SOURCES.values(), ids=named)
def test_a_module_is_one_noun_and_says_what_it_is(path: Path) -> None:
    text = path.read_text("utf-8")
    assert text.count("\n") <= LONGEST
    assert ast.get_docstring(parsed(path))
    if path.name == "__init__.py":
        assert len(parsed(path).body) == 1, "a package holds no code of its own"


def test_tests_stand_in_the_folders_of_what_they_test() -> None:
    for package in PACKAGES:
        for path in of(f"tests/{package}"):
            assert (ROOT / named(path.parent).removeprefix("tests/")).is_dir(), path


def test_no_folder_of_tests_or_units_is_a_package() -> None:
    """A `tests/voices/__init__.py` would be imported as `voices`."""
    assert not list((ROOT / "tests").rglob("__init__.py"))
    assert not list((ROOT / "systemd").rglob("*.py"))


@pytest.mark.gig
@pytest.mark.parametrize("module", ["numpy", "difflib", "tempfile"])
def test_the_keeper_does_without(module: str) -> None:
    """So it starts while another process imports numpy, and keeps its memory small."""
    program = (
        f"import sys, daemon.__main__, daemon.keeper.build; sys.exit({module!r} in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", program], cwd=ROOT, check=False).returncode == 0


@pytest.mark.gig
def test_what_keeper_and_player_have_in_common_is_imported_before_they_part() -> None:
    """Imported once, not by each of the two, which on one core is twice the time."""

    def imported_after(module: str) -> set[str]:
        program = (
            "import importlib, sys; from daemon.commands import run\n"
            "for each in run.SHARED: importlib.import_module(each)\n"
            f"before = set(sys.modules); import {module}; print(*(set(sys.modules) - before))"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True
        )
        return set(done.stdout.split())

    both = imported_after("daemon.keeper.build") & imported_after("daemon.player.process")
    assert not {each for each in both if each.startswith(("config.", "voices.", "daemon."))}


def test_what_tests_share_is_in_support() -> None:
    """A test file that others import from can't be changed, moved or deleted alone."""
    for path in of("tests"):
        ours = {name for name in imported(path) if name.startswith("tests.")}
        assert not [name for name in ours if ".test_" in name], path
        if path.name.startswith(("test_", "conftest")) or path.parent.name == "support":
            assert all(name.startswith("tests.support.") for name in ours), path
