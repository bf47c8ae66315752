"""The table of faults is whole, and every row is caused by a test."""

from pathlib import Path

import pytest

from tests.support.fault_table import PAGE, pattern, rows

TESTS = Path(__file__).parent
CAUSED_ELSEWHERE = {
    "sound card pulled while playing": ("boot/scene_play.py", "the card pulled"),
    "sound card replaced by another": (
        "daemon/keeper/test_supervisor.py",
        "another_card_starts_at_the_level",
    ),
    "battery run down to the level in the settings": (
        "daemon/keeper/test_keeper.py",
        "a_battery_run_down_is_told_saved_and_asks",
    ),
    "clock set by an hour": ("boot/scene_faults.py", "the clock set by an hour"),
}
"""A file under `tests`, and words of it."""


@pytest.mark.parametrize("fault", rows())
def test_every_fault_of_the_table_is_caused_by_a_test(fault: str) -> None:
    if fault in CAUSED_ELSEWHERE:
        name, words = CAUSED_ELSEWHERE[fault]
        assert words in (TESTS / name).read_text("utf-8")
        return
    sources = [path.read_text("utf-8") for path in TESTS.rglob("test_fault_*.py")]
    assert any(f'"{fault}"' in source for source in sources)


def test_every_row_says_what_is_heard_and_how_soon_it_plays_again() -> None:
    assert len(rows()) > 5
    for row in rows().values():
        assert row.heard
        assert row.again


def test_a_quoted_line_stands_for_its_own_kind_only() -> None:
    line = pattern("controller lost: '…'; … held notes released")
    assert line.search("keeper: controller lost: 'Bell Pedals'; 3 held notes released")
    assert not line.search("keeper: controller lost: 'Bell Pedals'")
    assert PAGE.name == "faults.md"
