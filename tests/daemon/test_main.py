"""What the validation library leaves undone at a start, since the daemon does not need it."""

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


def test_it_does_not_check_what_it_makes_of_our_models() -> None:
    """Its version 2.10 has no other way to be told; what it makes is the same."""
    name = "PYDANTIC_SKIP_VALIDATING_CORE_SCHEMAS"
    program = f"import sys, os, daemon.__main__; sys.stdout.write(str({name!r} in os.environ))"
    assert said(program) == "True"
