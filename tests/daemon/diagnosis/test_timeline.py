"""The timeline forgets: an evening of trouble costs no more memory than an hour of it."""

from daemon.diagnosis.timeline import MERGE_US, Entry, Timeline
from voices.notes.note_count import REMEMBERED


def test_of_entries_unlike_each_other_the_latest_are_remembered_and_saved() -> None:
    timeline = Timeline()
    for number in range(2 * REMEMBERED):
        timeline.add(Entry(number, f"trouble {number}"))
    latest = [f"trouble {number}" for number in range(REMEMBERED, 2 * REMEMBERED)]
    assert [entry.what for entry in timeline.entries()] == latest
    assert [entry.what for entry in timeline.take_unsaved()] == latest
    assert timeline.take_unsaved() == []


def test_of_notes_counted_together_all_are_counted_and_not_all_are_named() -> None:
    timeline = Timeline()
    for number in range(2 * REMEMBERED):
        timeline.add(Entry(0, "a note", similar="stolen", name=f"key {number}"))
    (entry,) = timeline.entries()
    assert entry.count == 2 * REMEMBERED
    assert len(entry.others) == REMEMBERED


def test_what_comes_again_after_a_while_is_an_entry_of_its_own() -> None:
    timeline = Timeline()
    for at_us in (0, MERGE_US, MERGE_US + 1):
        timeline.add(Entry(at_us, "a note", similar="stolen"))
    assert [entry.count for entry in timeline.entries()] == [2, 1]
