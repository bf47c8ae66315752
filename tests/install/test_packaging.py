"""What the project may be made of, and what its wheel carries."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from fnmatch import fnmatch
from importlib.metadata import packages_distributions
from pathlib import Path
from zipfile import ZipFile

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = ("config", "daemon", "voices")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
ALLOWED_AT_THE_TOP = {
    *PACKAGES,
    "docs",
    "debian",
    "systemd",
    "tests",
    "pyproject.toml",
    "Makefile",
    "LICENSE",
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> ZipFile:
    """The wheel, built from a copy, so that the checkout stays as it is."""
    copy = tmp_path_factory.mktemp("copy")
    for name in PACKAGES:
        shutil.copytree(
            ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__", ".*")
        )
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, copy)
    build = (
        "import setuptools.build_meta, sys;"
        "sys.argv[1:] = ['--quiet'];"
        "print(setuptools.build_meta.build_wheel('dist'))"
    )
    made = subprocess.run(
        [sys.executable, "-c", build], cwd=copy, capture_output=True, text=True, check=False
    )
    assert made.returncode == 0, made.stderr
    return ZipFile(copy / "dist" / made.stdout.split()[-1])


def files(folder: str, pattern: str) -> set[str]:
    """Names from the top of the checkout, as a wheel writes them."""
    return {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / folder).rglob(pattern)
        if "__pycache__" not in path.parts
    }


@pytest.mark.parametrize("name", PACKAGES)
def test_no_other_installed_distribution_claims_our_package_name(name: str) -> None:
    # pip installs one distribution's `daemon` over another's in silence.
    assert set(packages_distributions().get(name, [])) <= {"partiald"}


def test_the_project_can_not_be_uploaded_by_mistake() -> None:
    # An index refuses every classifier that starts with "Private ::" (PyPI's classifier list).
    assert "Private :: Do Not Upload" in PROJECT["project"]["classifiers"]


def test_the_top_of_the_checkout_holds_only_what_belongs_there() -> None:
    made_by_tools = [
        line.rstrip("/")
        for line in (ROOT / ".gitignore").read_text("utf-8").splitlines()
        if line and not line.startswith("#")
    ]
    found = {
        path.name
        for path in ROOT.iterdir()
        if not path.name.startswith(".")
        and not any(fnmatch(path.name, pattern) for pattern in made_by_tools)
    }
    assert found == ALLOWED_AT_THE_TOP


def test_the_folder_of_unit_files_is_no_python_package() -> None:
    # The checkout's systemd/ would answer `import systemd` if it held a module.
    assert files("systemd", "*.py") == set()


def test_the_tests_hide_no_package_of_ours() -> None:
    # tests/voices/__init__.py would be imported as `voices`.
    assert not list((ROOT / "tests").rglob("__init__.py"))


def test_the_wheel_carries_every_module_sound_and_setting(wheel: ZipFile) -> None:
    wanted = {
        name
        for package in PACKAGES
        for pattern in ("*.py", "*.toml", "py.typed")
        for name in files(package, pattern)
    }
    assert "config/partiald.toml" in wanted
    assert any(name.startswith("config/sounds/") and name.endswith(".toml") for name in wanted)
    carried = {name for name in wheel.namelist() if ".dist-info/" not in name}
    assert carried == wanted


def test_the_wheel_brings_one_command_and_the_licence(wheel: ZipFile) -> None:
    about = f"partiald-{PROJECT['project']['version']}.dist-info"
    commands = wheel.read(f"{about}/entry_points.txt").decode().split("\n")
    assert [line for line in commands if "=" in line] == ["partiald = daemon.__main__:main"]
    assert f"{about}/licenses/LICENSE" in wheel.namelist()


def test_the_changelog_begins_with_the_version_of_the_project() -> None:
    lines = (ROOT / "CHANGELOG.md").read_text("utf-8").splitlines()
    headings = [line.removeprefix("## ") for line in lines if line.startswith("## ")]
    released = [heading for heading in headings if heading != "Unreleased"]
    assert released[0].split()[0] == PROJECT["project"]["version"]


def test_the_debian_package_has_the_version_of_the_project() -> None:
    first = (ROOT / "debian/changelog").read_text("utf-8").split("\n")[0]
    assert first.startswith(f"partiald ({PROJECT['project']['version']}) ")


def test_the_debian_package_depends_on_what_the_wheel_requires() -> None:
    control = (ROOT / "debian/control").read_text("utf-8")
    depends = set(re.findall(r"^ ([\w.-]+)", control.split("\nDepends:")[1], re.MULTILINE))
    debian = {"pillow": "python3-pil", "python-rtmidi": "python3-rtmidi"}
    # On Debian 13 pydantic is Debian's.
    assert "depends = python3-pydantic" in (ROOT / "debian/rules").read_text("utf-8")
    bundled = {"pydantic", "sounddevice"}
    for each in PROJECT["project"]["dependencies"]:
        name = re.split("[<>=;]", each)[0]
        assert name in bundled or debian.get(name, f"python3-{name}") in depends
    # Another BLAS is up to nine times slower, and would do if it were not asked for.
    assert "libopenblas0-pthread | libopenblas0-openmp | libopenblas0-serial," in control


def test_the_wheel_works_beside_stray_modules_of_the_same_names(
    wheel: ZipFile, tmp_path: Path
) -> None:
    wheel.extractall(tmp_path / "installed")
    for name in PACKAGES:
        (tmp_path / f"{name}.py").write_text("raise SystemExit('a stray module was imported')")
    said = subprocess.run(
        [sys.executable, "-m", "daemon", "sounds"],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(tmp_path / "installed"), "PYTHONSAFEPATH": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (said.returncode, said.stderr) == (0, "")
    assert "market-organ" in said.stdout


def test_the_service_leaves_stray_modules_alone() -> None:
    unit = (ROOT / "systemd" / "partiald.service").read_text("utf-8")
    assert "Environment=PYTHONSAFEPATH=1" in unit.splitlines()
