"""The time of day, only where it is known."""

import subprocess
import time
from pathlib import Path

from daemon.commands.why import readable
from daemon.linux import wall_clock
from daemon.storage.event_file import CLOCK, ENTRY, EventFile, plain, read, story


def test_the_clock_counts_as_right_only_once_something_has_set_it(tmp_path: Path) -> None:
    told_by = tmp_path / "synchronized"
    assert not wall_clock.is_right(told_by)
    told_by.touch()
    assert wall_clock.is_right(told_by)


def test_the_time_since_power_on_and_how_far_the_clock_is_ahead_make_the_time_of_day() -> None:
    now_us = time.monotonic_ns() // 1000 + wall_clock.ahead_us()
    assert abs(now_us - time.time_ns() // 1000) < 1_000_000


def test_what_happened_before_the_clock_was_right_has_its_time_of_day_afterwards(
    tmp_path: Path,
) -> None:
    """The board comes back to a network after the gig; it had none while it was played."""
    path = tmp_path / "happened"
    history = EventFile(path, "one")
    history.begin(1_000_000, 0)
    history.write([(ENTRY, 62_500_000, "the card ran dry")], 2_000_000)

    def lines() -> list[str]:
        told = story(read(path), 1)
        entries = [(each.at_us, each.ready_us, each.text) for each in told.entries]
        return readable(plain(1, entries, told.count, told.ahead_us, 20)).splitlines()

    assert lines() == ["boot 1, 0:01:00.5: the card ran dry"]
    history.write([(CLOCK, 99_000_000, str(1_700_000_000_000_000 - 62_500_000))], 2_000_000)
    local = subprocess.run(
        ["date", "-d", "@1700000000", "+%Y-%m-%d %H:%M:%S"], capture_output=True, text=True
    ).stdout.strip()
    assert lines() == [f"boot 1, 0:01:00.5, {local}: the card ran dry"]


def test_what_happens_before_it_is_ready_is_told_as_that() -> None:
    assert readable(plain(3, [(5, 0, "no sound card")], "", None, 20)) == (
        "boot 3, before ready: no sound card\n"
    )


def test_older_lines_are_counted_and_how_to_see_them_is_told() -> None:
    entries = [(number, 1, f"note {number}") for number in range(1, 6)]
    lines = readable(plain(3, entries, "5 notes received", None, 2)).splitlines()
    assert lines[0] == "boot 3: 3 earlier ones; --last tells more"
    assert [line.split(": ")[1] for line in lines[1:3]] == ["note 4", "note 5"]
    assert lines[3] == "boot 3: 5 notes received"
