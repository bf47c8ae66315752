"""The implementation chart says what the receiver does, and a page says what the chart says."""

import re
from pathlib import Path

import mido
import numpy as np
import pytest
from numpy.typing import NDArray

from config.settings import Settings
from daemon.commands.chart import chart
from tests.support.command import partiald
from voices.instrument import Instrument
from voices.receiver.channel_mode import MODES
from voices.receiver.channel_voice import SYSTEM
from voices.receiver.control_change import CONTROLS
from voices.receiver.rpn import PARAMETERS
from voices.receiver.sysex import EXCLUSIVE

PAGE = Path(__file__).parents[3] / "docs" / "midi.md"


def test_the_page_of_midi_has_the_chart() -> None:
    printed = re.search(r"<!-- chart: .*?-->\n```text\n(.*?)```", PAGE.read_text(), re.DOTALL)
    assert printed is not None
    assert printed[1] == chart()


@pytest.mark.gig
def test_the_command_prints_it(tmp_path: Path) -> None:
    done = partiald("chart", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("partiald ")
    assert done.stdout.endswith("\n\n" + chart())


def test_the_chart_fits_a_terminal_and_loses_no_word() -> None:
    assert max(map(len, chart().splitlines())) <= 79
    words = " ".join(chart().split())
    remarks = [entry.remarks for entry in PARAMETERS.values()]
    remarks += [entry.remarks for entry in EXCLUSIVE.values()]
    assert all(word in words for each in remarks for word in each.split())


def test_every_entry_of_every_table_has_its_row() -> None:
    rows = chart().splitlines()
    for number, entry in CONTROLS.items():
        coarse = number - 32 if 32 <= number < 64 and number - 32 in CONTROLS else number
        name = re.escape(CONTROLS[coarse].function)
        assert any(re.match(rf"  {coarse}(, \d+)? +{name}", row) for row in rows), entry
    for number, entry in MODES.items():
        if number < 124:
            assert any(row.startswith(f"  {number} {entry.function}") for row in rows)
    for number, entry in PARAMETERS.items():
        assert any(row.startswith(f"  {number}  {entry.function}") for row in rows)
    for time, first, second in EXCLUSIVE:
        assert any(row.startswith(f"  {time:02X} {first:02X} {second:02X} ") for row in rows)
    for function, _, _ in SYSTEM.values():
        if function != "System exclusive":
            assert any(row.startswith(f"  {function}") for row in rows)


def last_block(*messages: mido.Message) -> NDArray[np.float32]:
    """Return the fourth block of a sine that is struck, with messages behind the note."""
    settings = Settings.model_validate({"bindings": [], "sound": {"name": "sine"}})
    instrument = Instrument(settings, sample_rate=48_000, block_frames=256)
    out = np.zeros((256, 2), np.float32)
    for message in (mido.Message("note_on", note=69, velocity=100), *messages):
        instrument.receive(message)
    for _ in range(4):
        instrument.render(out)
    return out


@pytest.fixture(scope="module")
def untouched() -> NDArray[np.float32]:
    return last_block()


@pytest.mark.parametrize("number", range(120))
def test_a_controller_that_the_chart_does_not_recognise_changes_nothing(
    number: int, untouched: NDArray[np.float32]
) -> None:
    """What is marked X, sent with every kind of value, leaves the sound as it was."""
    if number in CONTROLS:
        assert CONTROLS[number].recognised
        return
    sent = [mido.Message("control_change", control=number, value=each) for each in (0, 1, 64, 127)]
    assert np.array_equal(last_block(*sent), untouched)
