"""The report for the boot partition."""

import signal
from pathlib import Path

import pytest

from daemon.storage.deferred_writes import PAUSE_US, DeferredWrites
from daemon.storage.report_file import EVERY_US, NAME, Report, versions
from tests.support.daemon_process import Daemon
from tests.support.waiting import wait_until

TICK_US = 250_000


class Bench:
    def __init__(self, folder: Path) -> None:
        self.path, self.writes, self.now_us = folder / NAME, DeferredWrites(), 0
        self.words = "playing"
        self.report = Report(folder, self.writes)

    def run(self, state: object, us: int, sounding: int = 0) -> None:
        until = self.now_us + us
        while self.now_us < until:
            self.now_us += TICK_US
            self.report.tick(state, self.now_us, lambda: self.words + "\n")
            self.writes.tick(0, sounding, self.now_us)


def test_a_report_waits_for_a_pause_and_says_what_is_at_work(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.run("a", 60_000_000, sounding=1)
    assert not bench.path.exists()
    bench.run("a", 2 * PAUSE_US)
    text = bench.path.read_text()
    assert text.startswith("partiald ")
    assert text.endswith("\nplaying\n")
    assert list(tmp_path.iterdir()) == [bench.path]


def test_the_same_is_not_reported_twice_and_news_not_more_often_than_needed(
    tmp_path: Path,
) -> None:
    bench = Bench(tmp_path)
    bench.run("a", 2 * PAUSE_US)
    bench.path.unlink()  # the system has taken it
    bench.run("a", 3 * EVERY_US)
    assert not bench.path.exists()
    bench.words = "silent: no sound card"
    bench.run("b", 2 * PAUSE_US)
    assert bench.path.read_text().endswith("silent: no sound card\n")
    bench.path.unlink()
    bench.run("c", EVERY_US // 2)
    assert not bench.path.exists()
    bench.run("c", EVERY_US)
    assert bench.path.exists()


@pytest.mark.needs("rtmidi")
def test_the_versions_name_python_and_the_libraries() -> None:
    lines = versions().splitlines()
    assert [line.split()[0] for line in lines] == [
        *("partiald", "Python", "mido", "python-rtmidi", "numpy", "sounddevice", "pydantic")
    ]
    assert not any("not installed" in line for line in lines)


@pytest.mark.gig
def test_the_daemon_reports_status_and_losses_when_its_settings_ask_for_it(tmp_path: Path) -> None:
    settings = "[report]\nwrite = true\n"
    daemon = Daemon(tmp_path, settings, JACK_DEFAULT_SERVER="partiald-none")
    try:
        wait_until((tmp_path / NAME).exists, 20.0)
    finally:
        daemon.process.send_signal(signal.SIGTERM)
        assert daemon.process.wait(20) == 0
    text = (tmp_path / NAME).read_text()
    assert "notes        0 notes received\n" in text
    assert "boot 1, before ready: no sound card and no sound server; looking" in text
