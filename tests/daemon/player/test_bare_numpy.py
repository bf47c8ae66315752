"""The player's numpy: what is left out of its import, and that nothing else changes."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.import_graph import ROOT

PLAYED = """
import hashlib, sys
import numpy as np
from config.settings import Settings
from voices.instrument import Instrument
import daemon.player.process

out = np.zeros((64, 2), np.float32)
played = Instrument(Settings(), sample_rate=48_000, block_frames=64)
played.take((0x90, 60, 100))
heard = hashlib.sha256()
for _ in range(40):
    played.render(out)
    heard.update(out.tobytes())
sys.stdout.write(f"{heard.hexdigest()} {np.add.__doc__ is None or not np.array.__doc__}")
"""
LEFT_OUT = "import sys\nfrom daemon.player.bare_numpy import leave_out\nassert leave_out() is {}\n"


def said(program: str, *path: Path) -> str:
    script = f"import sys; sys.path[:0] = {[str(each) for each in (*path, ROOT)]}\n{program}"
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    return run.stdout


@pytest.mark.gig
def test_without_its_documentation_it_plays_the_same() -> None:
    whole, documented = said(PLAYED).split()
    bare, undocumented = said(LEFT_OUT.format(True) + PLAYED).split()
    assert bare == whole
    assert (documented, undocumented) == ("False", "True")


@pytest.mark.gig
def test_a_version_that_nobody_has_tried_is_imported_whole(tmp_path: Path) -> None:
    (tmp_path / "numpy").mkdir()
    (tmp_path / "numpy/__init__.py").touch()
    (tmp_path / "numpy/version.py").write_text('version = "9.0.1"\n')
    assert (
        said(
            LEFT_OUT.format(False) + "sys.stdout.write(str('numpy._typing' in sys.modules))",
            tmp_path,
        )
        == "False"
    )


def test_what_is_imported_already_is_not_touched() -> None:
    import numpy  # noqa: F401

    from daemon.player.bare_numpy import leave_out

    before = set(sys.modules)
    assert not leave_out()
    assert set(sys.modules) == before
