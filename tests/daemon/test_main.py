"""The start without a search for plug-ins of the validation library."""

import subprocess
import sys

import pytest

pytestmark = pytest.mark.gig

LAST = "; sys.stdout.write(str('importlib.metadata' in sys.modules))"


def said(program: str) -> str:
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    return run.stdout


def test_the_daemon_imports_nothing_to_search_plug_ins_with() -> None:
    assert (
        said(f"import sys, daemon.__main__, daemon.command_line, daemon.keeper.build{LAST}")
        == "False"
    )


def test_without_that_it_would() -> None:
    assert said(f"import sys, config.settings{LAST}") == "True"


def test_what_another_version_asks_of_the_module_comes_from_the_real_one() -> None:
    program = (
        "import sys, daemon.__main__, config.settings\n"
        "from pydantic.plugin._loader import PYDANTIC_ENTRY_POINT_GROUP as group\n"
        "sys.stdout.write(group)"
    )
    assert said(program) == "pydantic"
