"""The house rules, walked in the source itself."""

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("config", "voices", "daemon")
MAY_IMPORT = {
    "config": {"config", "pydantic", "pydantic_core"},
    "voices": {"voices", "config", "numpy", "mido"},
    "daemon": {
        *PACKAGES,
        *("numpy", "mido", "rtmidi", "sounddevice", "pydantic", "PIL", "rich"),
    },
}
# What a pure package has no business with: clocks, files, threads, processes, signals, sockets.
IMPURE = {
    *("asyncio", "logging", "multiprocessing", "os", "select", "selectors", "shutil", "signal"),
    *("socket", "subprocess", "threading", "time", "tempfile", "pathlib", "io", "mmap", "ctypes"),
}
# Clocks that nobody sets, and waiting, which goes by such a one (clock_nanosleep(2)).
STEADY = {"monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns", "sleep"}
TELL_THE_TIME = {"wall_clock.py", "why.py"}
LONGEST = 300
SOURCES = [path for package in PACKAGES for path in sorted((ROOT / package).rglob("*.py"))]


def imports(path: Path) -> Iterator[tuple[str, int]]:
    """Yield the first name of every import, and how many levels up it goes."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            for each in node.names:
                yield each.name.split(".")[0], 0
        elif isinstance(node, ast.ImportFrom):
            yield (node.module or "").split(".")[0], node.level


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_point_down_and_out_to_what_is_allowed(path: Path) -> None:
    package = path.relative_to(ROOT).parts[0]
    for name, level in imports(path):
        assert level == 0, "relative import"
        assert name in MAY_IMPORT[package] or name in sys.stdlib_module_names, name


@pytest.mark.parametrize("path", sorted((ROOT / "voices").rglob("*.py")), ids=lambda p: p.name)
def test_the_sound_knows_no_clock_file_thread_or_log(path: Path) -> None:
    assert not {name for name, _ in imports(path)} & IMPURE
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "print", "input", "exec", "eval"}


@pytest.mark.parametrize("path", sorted((ROOT / "daemon").rglob("*.py")), ids=lambda p: p.name)
def test_nothing_waits_by_a_clock_that_can_be_set(path: Path) -> None:
    """A board's clock jumps by years once it finds a network; two modules tell the time of day."""
    if path.name in TELL_THE_TIME:
        return
    tree = ast.parse(path.read_text("utf-8"))
    asked = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and isinstance(node.value, ast.Name)
        and node.value.id == "time"
    }
    assert asked <= STEADY
    modules = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert not {name for name, _ in imports(path)} & {"datetime"}
    assert "time" not in modules


def test_devices_are_imported_only_where_they_are_used() -> None:
    """So that rendering works where the sound and MIDI libraries are missing."""
    for path in sorted((ROOT / "daemon").rglob("*.py")):
        top = ast.parse(path.read_text("utf-8")).body
        names = {
            each.name.split(".")[0]
            for node in top
            if isinstance(node, ast.Import)
            for each in node.names
        }
        names |= {
            (node.module or "").split(".")[0] for node in top if isinstance(node, ast.ImportFrom)
        }
        assert not names & {"sounddevice", "rtmidi"}, path.name


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_module_is_one_noun_and_says_what_it_is(path: Path) -> None:
    text = path.read_text("utf-8")
    assert text.count("\n") <= LONGEST
    assert ast.get_docstring(ast.parse(text))


def test_packages_hold_no_code_of_their_own() -> None:
    for path in [path for path in SOURCES if path.name == "__init__.py"]:
        assert len(ast.parse(path.read_text("utf-8")).body) == 1, path


def test_no_folder_of_tests_or_units_is_a_package() -> None:
    """A `tests/voices/__init__.py` would be imported as `voices`."""
    assert not list((ROOT / "tests").rglob("__init__.py"))
    assert not list((ROOT / "systemd").rglob("*.py"))


def test_the_keeper_does_without_numpy() -> None:
    """So it starts while another process imports that, and keeps its memory small."""
    program = "import sys, daemon.keeper.event_loop; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], cwd=ROOT, check=False).returncode == 0


def test_what_tests_share_is_in_support() -> None:
    """A test file that others import from can't be changed, moved or deleted alone."""
    for path in (ROOT / "tests").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("tests."):
                assert ".test_" not in (node.module or ""), path
                if path.name.startswith(("test_", "conftest")) or path.parent.name == "support":
                    assert (node.module or "").startswith("tests.support."), path
