"""The README's table of faults is whole, and every row is caused by a test."""

import re
from pathlib import Path

from tests.fault_table import README, pattern, rows

TESTS = Path(__file__).parent


def caused() -> set[str]:
    """Return the faults that tests of this folder watch the log for."""
    sources = [path.read_text("utf-8") for path in TESTS.glob("test_fault_*.py")]
    return {fault for source in sources for fault in re.findall(r'Watch\(\s*"([^"]+)"', source)}


def test_every_fault_of_the_table_is_caused_by_a_test_and_the_other_way_round() -> None:
    assert len(rows()) > 5
    assert set(rows()) == caused()


def test_every_row_tells_what_is_heard_and_how_soon_it_plays_again() -> None:
    for row in rows().values():
        assert row.heard
        assert row.again


def test_a_quoted_line_stands_for_its_own_kind_only() -> None:
    line = pattern("controller lost: '…'; … held notes released")
    assert line.search("daemon.keeper: controller lost: 'Bell Pedals'; 3 held notes released")
    assert not line.search("daemon.keeper: controller lost: 'Bell Pedals'")
    assert README.name == "README.md"
