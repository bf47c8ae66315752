"""The processors' idle time, as the kernel tells it."""

from pathlib import Path

import pytest

from daemon.linux.idle_time import STAT, IdleTime


def stat(user: int, idle: int, waiting: int) -> str:
    return f"cpu  {user} 0 100 {idle} {waiting} 0 0 0 0 0\ncpu0 1 1 1 1 1 1 1 1 1 1\nintr 5\n"


def test_the_share_is_of_the_time_since_the_last_answer(tmp_path: Path) -> None:
    path = tmp_path / "stat"
    path.write_text(stat(user=500, idle=300, waiting=100))
    idle_time = IdleTime(path)
    assert idle_time.share() == 0.0, "the boot before counts for nothing"
    path.write_text(stat(user=560, idle=330, waiting=110))
    assert idle_time.share() == pytest.approx(0.4)
    path.write_text(stat(user=570, idle=420, waiting=110))
    assert idle_time.share() == pytest.approx(0.9)


def test_a_moment_that_is_too_short_is_counted_with_the_next(tmp_path: Path) -> None:
    path = tmp_path / "stat"
    path.write_text(stat(user=500, idle=300, waiting=100))
    idle_time = IdleTime(path)
    path.write_text(stat(user=500, idle=302, waiting=100))
    assert idle_time.share() == 0.0
    path.write_text(stat(user=505, idle=305, waiting=100))
    assert idle_time.share() == pytest.approx(0.5)


def test_where_the_kernel_tells_nothing_the_processors_count_as_idle(tmp_path: Path) -> None:
    idle_time = IdleTime(tmp_path / "none")
    assert [idle_time.share(), idle_time.share()] == [1.0, 1.0]


def test_the_kernel_beneath_tells_it() -> None:
    assert STAT.read_text().startswith("cpu ")
    assert IdleTime().share() == 0.0
