"""What outlives the power: the file of what happened."""

import os
import random
import subprocess
from pathlib import Path

import pytest

from daemon.diagnosis.readable import readable_losses
from daemon.storage.event_file import (
    BOOT,
    CLOCK,
    COUNT,
    COUNT_SLOTS,
    ENTRY,
    SECTOR,
    SIZE,
    SLOTS,
    EventFile,
    boot_events,
    event_file_path,
    read,
    readable_fields,
)


def begun(path: Path, this_boot: str) -> EventFile:
    history = EventFile(path, this_boot)
    history.begin(5, 0)
    return history


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "happened"


def test_it_is_in_the_folder_that_systemd_keeps_for_the_service() -> None:
    """Source: systemd.exec(5), STATE_DIRECTORY."""
    assert event_file_path({"STATE_DIRECTORY": "/var/lib/organ:/x"}) == Path(
        "/var/lib/organ/happened"
    )
    assert event_file_path({}) == Path("/var/lib/partiald/happened")


def test_boots_are_counted_and_a_restart_within_one_is_none(path: Path) -> None:
    assert [begun(path, name).boot for name in ("one", "one", "two", "two", "three")] == [
        *(1, 1, 2, 2, 3)
    ]
    assert EventFile(path, "three").is_same_boot
    assert not EventFile(path, "four").is_same_boot


def test_a_boot_is_counted_even_after_its_first_record_was_written_over(path: Path) -> None:
    history = begun(path, "one")
    history.write([(ENTRY, n, f"note {n}") for n in range(2 * SLOTS)], 0)
    assert begun(path, "two").boot == 2


def test_the_file_keeps_its_size_and_the_latest_records(path: Path) -> None:
    history = begun(path, "one")
    for n in range(0, 1500, 50):
        history.write([(ENTRY, m, f"note {m}") for m in range(n, n + 50)], 7)
    assert path.stat().st_size == SIZE
    kept = boot_events(read(path), 1).entries
    assert [record.at_us for record in kept] == list(range(1500 - len(kept), 1500))
    assert len(kept) == SLOTS - COUNT_SLOTS
    assert {record.ready_us for record in kept} == {7}


def test_each_boot_has_its_own_count_and_clock(path: Path) -> None:
    begun(path, "one").write([(COUNT, 1, "3 notes"), (CLOCK, 1, "-40")], 0)
    second = begun(path, "two")
    second.write([(ENTRY, 9, "b"), (ENTRY, 4, "a"), (COUNT, 1, "1 note"), (COUNT, 2, "2 notes")], 0)
    first, latest = boot_events(read(path), 1), boot_events(read(path), 2)
    assert (first.count, first.ahead_us, first.entries) == ("3 notes", -40, [])
    assert (latest.count, latest.ahead_us) == ("2 notes", None)
    assert [record.text for record in latest.entries] == ["a", "b"]


def test_what_is_written_is_on_the_card_before_it_goes_on(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    history = begun(path, "one")
    synced: list[list[str]] = []

    def fdatasync(handle: int) -> None:
        assert os.path.samestat(os.fstat(handle), path.stat())
        synced.append([record.text for record in read(path)])

    monkeypatch.setattr(os, "fdatasync", fdatasync)
    history.write([(ENTRY, 1, "a"), (ENTRY, 2, "b")], 0)
    history.write([(ENTRY, 3, "c")], 0)
    assert synced == [["one", "a", "b"], ["one", "a", "b", "c"]]


def test_a_power_cut_in_any_sector_loses_that_record_and_no_other(path: Path) -> None:
    """A torn write: the sector is part old and part new, or part noise."""
    chance = random.Random(25)
    history = begun(path, "one")
    history.write([(ENTRY, n, f"C4 gave its voice to G4, {n}") for n in range(300)], 0)
    history.write([(COUNT, 301, "before"), (COUNT, 302, "after")], 0)
    whole = path.read_bytes()
    records = read(path)
    for _ in range(60):
        slot = chance.randrange(SLOTS)
        start = slot * SECTOR
        cut = chance.randrange(1, SECTOR)
        torn = whole[: start + cut] + chance.randbytes(SECTOR - cut) + whole[start + SECTOR :]
        path.write_bytes(torn)
        left = read(path)
        assert set(left) <= set(records)
        assert len(left) >= len(records) - 1
        assert EventFile(path, "one").boot in (1, 2)


@pytest.mark.parametrize("length", [0, 1, SECTOR + 3, SIZE - 1])
def test_a_file_cut_short_is_read_as_far_as_it_goes_and_made_whole_again(
    path: Path, length: int
) -> None:
    begun(path, "one").write([(ENTRY, 1, "x")], 0)
    path.write_bytes(path.read_bytes()[:length])
    again = begun(path, "two")
    assert path.stat().st_size == SIZE
    again.write([(ENTRY, 2, "y")], 0)
    assert boot_events(read(path), again.boot).entries[0].text == "y"


def test_a_long_text_is_cut_between_characters(path: Path) -> None:
    begun(path, "one").write([(ENTRY, 1, "é" * 400)], 0)
    text = boot_events(read(path), 1).entries[0].text
    assert set(text) == {"é"}
    assert len(text) > 200


def counts(path: Path) -> list[tuple[int, str]]:
    return [(record.boot, record.text) for record in read(path) if record.kind == COUNT]


def test_a_torn_count_leaves_the_one_before_it_also_after_a_restart(path: Path) -> None:
    begun(path, "one").write([(ENTRY, 1, "x"), (COUNT, 2, "1 note")], 0)
    for number in range(2, 7):
        before = path.read_bytes()
        begun(path, "one").write([(COUNT, 2, f"{number} notes")], 0)
        after = path.read_bytes()
        (slot,) = (
            at
            for at in range(0, SIZE, SECTOR)
            if before[at : at + SECTOR] != after[at : at + SECTOR]
        )
        path.write_bytes(after[:slot] + bytes(SECTOR) + after[slot + SECTOR :])
        assert counts(path)[-1][1].startswith(f"{number - 1} note")
        path.write_bytes(after)


def test_the_counts_of_the_latest_boots_stay_whatever_else_is_written(path: Path) -> None:
    boots = COUNT_SLOTS // 2
    for number in range(1, boots + 4):
        file = begun(path, f"boot {number}")
        file.write([(COUNT, 1, "early"), (COUNT, 2, f"{number} notes")], 0)
    file.write([(ENTRY, n, "x") for n in range(2 * SLOTS)], 0)
    kept = {boot: text for boot, text in counts(path)}
    assert kept == {number: f"{number} notes" for number in range(4, boots + 4)}


def test_a_boot_is_recorded_once_and_boots_without_a_name_are_never_the_same(path: Path) -> None:
    file = begun(path, "one")
    file.begin(6, 0)
    begun(path, "one")
    assert [record.text for record in read(path) if record.kind == BOOT] == ["one"]
    assert [begun(path, "").boot for _ in range(3)] == [2, 3, 4]


def test_only_its_owner_writes_it_its_group_reads_it_and_no_link_leads_elsewhere(
    path: Path, tmp_path: Path
) -> None:
    file = begun(path, "one")
    assert path.stat().st_mode & 0o777 == 0o640
    elsewhere = tmp_path / "elsewhere"
    path.rename(elsewhere)
    path.symlink_to(elsewhere)
    before = elsewhere.read_bytes()
    with pytest.raises(OSError, match="symbolic links"):
        file.write([(ENTRY, 1, "x")], 0)
    assert elsewhere.read_bytes() == before


def test_a_missing_file_is_an_empty_story(path: Path) -> None:
    assert read(path) == []
    assert EventFile(path, "one").boot == 1
    assert not any(record.kind == BOOT for record in read(path))


@pytest.mark.gig
def test_what_happened_before_the_clock_was_right_has_its_time_of_day_afterwards(
    tmp_path: Path,
) -> None:
    """The board comes back to a network after the gig; it had none while it was played."""
    path = tmp_path / "happened"
    history = EventFile(path, "one")
    history.begin(1_000_000, 0)
    history.write([(ENTRY, 62_500_000, "the card ran dry")], 2_000_000)

    def lines() -> list[str]:
        told = boot_events(read(path), 1)
        entries = [(each.at_us, each.ready_us, each.text) for each in told.entries]
        return readable_losses(
            readable_fields(1, entries, told.count, told.ahead_us, 20)
        ).splitlines()

    assert lines() == ["boot 1, 0:01:00.5: the card ran dry"]
    history.write([(CLOCK, 99_000_000, str(1_700_000_000_000_000 - 62_500_000))], 2_000_000)
    local = subprocess.run(
        ["date", "-d", "@1700000000", "+%Y-%m-%d %H:%M:%S"], capture_output=True, text=True
    ).stdout.strip()
    assert lines() == [f"boot 1, 0:01:00.5, {local}: the card ran dry"]


def test_what_happens_before_it_is_ready_is_reported_as_that() -> None:
    assert readable_losses(readable_fields(3, [(5, 0, "no sound card")], "", None, 20)) == (
        "boot 3, before ready: no sound card\n"
    )


def test_older_lines_are_counted_and_how_to_see_them_is_shown() -> None:
    entries = [(number, 1, f"note {number}") for number in range(1, 6)]
    lines = readable_losses(readable_fields(3, entries, "5 notes received", None, 2)).splitlines()
    assert lines[0] == "boot 3: 3 earlier ones; --last shows more"
    assert [line.split(": ")[1] for line in lines[1:3]] == ["note 4", "note 5"]
    assert lines[3] == "boot 3: 5 notes received"
